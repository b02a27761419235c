"""What is not kept in an assessment and is worked out again where somebody asks: older exercises, and
engine hours at a past moment. As known now, from the stored days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.model import EngineHours, Habit
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import exercise, habit, hours
from scheduler.assess.current import Open, now_of, open_state
from scheduler.day import Day
from scheduler.rules.exercise import ExerciseVerdict


def exercises(inputs: UnitInputs, days: Sequence[Day], now: int) -> tuple[ExerciseVerdict, ...]:
    """Every verdict on the agreed exercise of this calendar year of the site and the one before,
    oldest first. days: as `assess` is given them.

    Gives: records. Definition.
    """
    reports = habit.habit_of(inputs, days)
    known = open_state(inputs, days, reports, now)
    at = now_of(inputs, days, known, reports, now)[0]
    ledger = _ledger(inputs, days, known, reports, now)
    demands = known.demands
    looked = exercise.look(inputs, days, known.runs, demands, reports, ledger, at.aside, now)
    return looked.verdicts


@dataclass(frozen=True, slots=True)
class HoursThen:
    """Engine hours at a moment [h], None where they could not have been seen; now: those of now, with
    what both stand on."""

    hours_h: float | None
    now: EngineHours


def hours_at(inputs: UnitInputs, days: Sequence[Day], moment: int, now: int) -> HoursThen:
    """Engine hours at a past moment (docs/engineering/hours.md#the-ledger). days: as `assess` is
    given them; moment: UTC seconds.

    Gives: a record in hours [h]. Definition.
    """
    reports = habit.habit_of(inputs, days)
    known = open_state(inputs, days, reports, now)
    ledger = _ledger(inputs, days, known, reports, now)
    then = ledger.at(min(moment, now))
    return HoursThen(None if then is None else round(then, 3), ledger.now)


def _ledger(
    inputs: UnitInputs, days: Sequence[Day], known: Open, reports: Habit, now: int
) -> hours.Ledger:
    hides_s = 0 if reports.mode == "on_change" else reports.running_s
    return hours.ledger(inputs.unit, inputs.records, days, known.run, now, hides_s)
