"""Verdicts and findings of the agreed exercise, and the reasons of runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from fleet.calendar import DAY_S, day_bounds, local_date
from fleet.model import Finding, Habit, Run, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import agreed
from scheduler.assess.agreed import Spell
from scheduler.assess.exercise.evidence import seen_of
from scheduler.assess.exercise.reasons import joined_with, kept, newest_proof, reasons_of
from scheduler.assess.hours import Ledger
from scheduler.assess.last_known import Aside
from scheduler.day import Day
from scheduler.rules import exercise
from scheduler.rules.exercise import (
    ByItself,
    Candidate,
    Exercise,
    ExerciseVerdict,
    LightLoad,
    Plan,
    RunReason,
    Seen,
    UnderCode,
    YearHours,
)
from scheduler.rules.exercise.exercise_verdict import SHOWN
from scheduler.rules.exercise.matching import learned
from scheduler.rules.exercise.year import year_of, year_span


def years_of(
    joined: Sequence[Candidate],
    days: Sequence[Day],
    ledger: Ledger,
    here: tuple[str, int],
    plan: Plan | None,
    now: int,
) -> tuple[YearHours, ...]:
    """This calendar year and the one before, as far as there are days.

    here: the site's zone and its calendar year now.

    Gives: records in hours [h]. Source: 40 CFR 63.6640(f), subpart ZZZZ, as
    scheduler/rules/exercise/year.py.
    """
    zone, year = here
    length_s = None if plan is None else plan.length_s
    runs = [one.run for one in joined]
    firsts = [day.first_at for day in days if day.first_at is not None]
    found = []
    for which in (year, year - 1):
        start, end = year_span(which, zone)
        inside = [at for at in firsts if start <= at < end]
        if not inside:
            continue
        begun = min(inside)
        seen = exercise.year_hours(runs, zone, which, now, exercise_s=length_s)
        unseen = 0.0
        if ledger.now.source == "meter":
            unseen = ledger.gains.between(begun, min(end, now)) - seen.total_h
        since = local_date(begun, zone).isoformat()
        found.append(
            msgspec.structs.replace(seen, unseen_h=round(max(0.0, unseen), 2), since=since)
        )
    return tuple(found)


FIXED = frozenset({"outdoors", "engine_room"})
"""Placements of which a customer may be reminded (docs/engineering/cautions.md#reminders)."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What the exercise says of a unit. runs: all of the years looked at, reasons joined; verdicts:
    every one of them, oldest first."""

    exercise: Exercise | None
    findings: tuple[Finding, ...]
    runs: tuple[Run, ...]
    reasons: tuple[RunReason, ...]
    years: tuple[YearHours, ...]
    light_load: LightLoad | None
    code: UnderCode | None
    by_itself: ByItself | None
    verdicts: tuple[ExerciseVerdict, ...] = ()


def look(
    inputs: UnitInputs,
    days: Sequence[Day],
    runs: Sequence[Run],
    demands: Sequence[StartDemand],
    reports: Habit,
    ledger: Ledger,
    aside: Aside | None,
    now: int,
) -> Looked:
    """Verdicts, findings, reasons of runs and hours by reason at `now` (UTC seconds).

    days: rising; runs and demands: all known, the open ones too. Looked at are the calendar year
    of the site and the one before.

    Gives: a record in hours [h] and seconds [s]. Common practice, no source, as
    scheduler/rules/exercise.
    """
    zone = inputs.site.time_zone
    year = year_of(now, zone)
    since = year_span(year - 1, zone)[0]
    days = [day for day in days if (day.day + 1) * DAY_S > since]
    seen = seen_of(inputs, days, runs, demands, reports, ledger, since)
    spells, refusal = agreed.spells(inputs)
    plan = spells[-1].plan if spells else None
    state = Exercise(refusal=refusal) if refusal else None
    matched = [_matched(spell, seen, since, now) for spell in spells]
    why = {
        m.candidate.run.start: m.confidence
        for one in matched
        for m in one
        if m.candidate is not None
    }
    joined = [joined_with(one, why) for one in seen.runs]
    reasons = reasons_of(joined, days)
    found: tuple[Finding, ...] = ()
    verdicts: Sequence[ExerciseVerdict] = ()
    if plan is not None:
        verdicts = agreed.judged(spells, matched, seen, now)
        state, found = _state(inputs, plan, verdicts, joined, reasons, now)
    diesel = inputs.unit.fuel == "diesel"
    code = _code(inputs, joined, seen, now)
    if code is not None:
        told = exercise.code_finding(code, _month_began(now, zone))
        found = found if told is None else (*found, told)
    return Looked(
        exercise=state,
        findings=() if aside is not None else found,
        runs=tuple(one.run for one in joined),
        reasons=tuple(r for r in reasons if kept(r, now)),
        years=years_of(joined, days, ledger, (zone, year), plan, now),
        light_load=exercise.light_load(joined, inputs.unit.rated_kw) if diesel else None,
        code=code,
        by_itself=newest_proof(reasons),
        verdicts=tuple(verdicts),
    )


def _matched(spell: Spell, seen: Seen, since: int, now: int) -> list[exercise.Matched]:
    """The occurrences of one agreement while it held, each with its run."""
    if spell.plan is None:
        return []
    first = max(since, seen.first_at or now) // DAY_S - 1
    dues = exercise.between(spell.plan.rule, spell.plan.zone, first, now // DAY_S + 2)
    held = [due for due in dues if spell.holds(due.at)]
    return exercise.match(spell.plan, held, seen.runs, seen.failed)


def _code(
    inputs: UnitInputs, joined: Sequence[Candidate], seen: Seen, now: int
) -> UnderCode | None:
    """NFPA 110's monthly exercise, only for a set that the register says is under it."""
    if not inputs.unit.nfpa_110 or seen.first_at is None:
        return None
    return exercise.under_code(
        joined,
        rated_kw=inputs.unit.rated_kw,
        diesel=inputs.unit.fuel == "diesel",
        zone=inputs.site.time_zone,
        since=seen.first_at,
        now=now,
    )


def _month_began(now: int, zone: str) -> int:
    return day_bounds(local_date(now, zone).replace(day=1), zone)[0]


def _state(
    inputs: UnitInputs,
    plan: Plan,
    verdicts: Sequence[ExerciseVerdict],
    joined: Sequence[Candidate],
    reasons: Sequence[RunReason],
    now: int,
) -> tuple[Exercise, tuple[Finding, ...]]:
    long_enough = {one.run.start for one in joined if one.length_s >= plan.least_s}
    proofs = [r.start for r in reasons if r.by_itself in ("yes", "likely")]
    ran_since = max((start for start in proofs if start in long_enough), default=None)
    found = exercise.findings(
        plan,
        verdicts,
        remind_customer=inputs.unit.placement in FIXED,
        ran_since=ran_since,
    )
    offsets = [v.run_start - v.due_at for v in verdicts if v.run_start is not None]
    coming = exercise.following(plan.rule, plan.zone, now)
    state = Exercise(
        minutes=plan.minutes,
        load_share=plan.load_share,
        last=tuple(verdicts[-SHOWN:]),
        next_at=None if coming is None else coming.at,
        next_wall="" if coming is None else coming.wall,
        offset_s=learned(offsets),
        offset_n=len(offsets),
    )
    return state, found
