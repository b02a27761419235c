"""What was agreed of a set's exercise, from when to when.

A changed day or length judges no week before the change: each agreement holds from the moment the
one before it ended until it was changed in the register.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.calendar import ZoneUnknown
from fleet.registry.facts.rows import UnitInputs
from scheduler.rules import exercise
from scheduler.rules.exercise import ExerciseVerdict, Plan, Seen

JUDGED = 26
"""Newest occurrences that are judged; older ones are only matched, to name their runs.
Definition."""
FAR = 2**62
"""A moment behind every other [UTC s]. Definition."""


@dataclass(frozen=True, slots=True)
class Spell:
    """One agreement and while it held: [from_at, until_at), UTC seconds. plan None: none then."""

    plan: Plan | None
    from_at: int
    until_at: int

    def holds(self, at: int) -> bool:
        return self.from_at <= at < self.until_at


def spells(inputs: UnitInputs) -> tuple[tuple[Spell, ...], str]:
    """The agreements in order, the one that holds last; and why that one cannot be read.

    Nothing where none holds now: what was agreed once is then no matter.

    Gives: records in UTC seconds [UTC s], and words. Definition.
    """
    unit = inputs.unit
    if not unit.exercise:
        return (), ""
    now_holds, refusal = _plan(inputs, unit.exercise, unit.exercise_minutes, unit.exercise_load)
    if now_holds is None:
        return (), refusal
    found: list[Spell] = []
    begun = -FAR
    for past in unit.exercise_before:
        plan = _plan(inputs, past.rule, past.minutes, past.load)[0] if past.rule else None
        found.append(Spell(plan, begun, past.until_at))
        begun = past.until_at
    return (*found, Spell(now_holds, begun, FAR)), ""


def judged(
    of: Sequence[Spell], matched: Sequence[Sequence[exercise.Matched]], seen: Seen, now: int
) -> tuple[ExerciseVerdict, ...]:
    """Verdicts on the newest occurrences, oldest first, each by the agreement that held then.

    Gives: records in seconds [s]. Common practice, no source.
    """
    found: list[ExerciseVerdict] = []
    for spell, occurrences in zip(of, matched, strict=True):
        if spell.plan is not None:
            recent = [m for m in occurrences if m.due.at <= now][-JUDGED:]
            found.extend(exercise.judge(spell.plan, recent, seen, now))
    return tuple(found[-JUDGED:])


def _plan(
    inputs: UnitInputs, rule: str, minutes: float | None, load: float | None
) -> tuple[Plan | None, str]:
    try:
        plan = Plan(
            rule=rule,
            zone=inputs.site.time_zone,
            minutes=minutes,
            load_share=load / 100 if load else None,
            rated_kw=inputs.unit.rated_kw,
        )
        exercise.between(plan.rule, plan.zone, 0, 1)
    except (ValueError, ZoneUnknown) as fault:
        return None, str(fault)
    return plan, ""
