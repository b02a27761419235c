"""Exercise of one unit: what its days say, joined with what was agreed.

A Day's own `why` knows mains and switch only. What was agreed, and the time at which the set's
clock really runs it, may change or be learned later, so the join is made here, from all days, and
kept in the assessment: pages and API show these reasons, and no stored day is ever computed again
for a changed plan. An agreement is judged only while it held (`scheduler.assess.agreed`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from fleet.calendar import day_bounds, local_date
from fleet.model import Finding, Habit, Run, StartDemand
from fleet.registry.types import UnitInputs
from scheduler.assess import agreed
from scheduler.assess.agreed import Spell
from scheduler.assess.hours import Ledger
from scheduler.assess.seen import Aside, moment, set_aside
from scheduler.day import Day, allowed_gaps
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
from scheduler.rules.exercise.matching import learned
from scheduler.rules.exercise.terms import SHOWN
from scheduler.rules.exercise.year import year_of, year_span

DAY_S = 86_400
REASONS_DAYS = 400
"""How far back the reasons of runs are kept in an assessment."""
AT_THE_SET = frozenset({"visit", "task_done", "part_changed", "meter_check", "hour_meter"})
FIXED = frozenset({"outdoors", "engine_room"})
"""Placements of which a customer may be reminded (ENGINEERING 8, 15)."""
FAR = 2**62


@dataclass(frozen=True, slots=True)
class Looked:
    """What the exercise says of a unit. runs: all of the years looked at, reasons joined."""

    exercise: Exercise | None
    findings: tuple[Finding, ...]
    runs: tuple[Run, ...]
    reasons: tuple[RunReason, ...]
    years: tuple[YearHours, ...]
    light_load: LightLoad | None
    code: UnderCode | None
    by_itself: ByItself | None


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
    """
    zone = inputs.site.time_zone
    year = year_of(now, zone)
    since = year_span(year - 1, zone)[0]
    days = [day for day in days if (day.day + 1) * DAY_S > since]
    seen = _seen(inputs, days, runs, demands, reports, ledger, since)
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
    joined = [_joined(one, why) for one in seen.runs]
    reasons = _reasons(joined, days)
    found: tuple[Finding, ...] = ()
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
        reasons=tuple(r for r in reasons if _kept(r, now)),
        years=_years(joined, days, ledger, (zone, year), plan, now),
        light_load=exercise.light_load(joined, inputs.unit.rated_kw) if diesel else None,
        code=code,
        by_itself=_newest_proof(reasons),
    )


def _matched(spell: Spell, seen: Seen, since: int, now: int) -> list[exercise.Matched]:
    """The occurrences of one agreement while it held, each with its run."""
    if spell.plan is None:
        return []
    first = max(since, seen.first_at or now) // DAY_S - 1
    dues = exercise.between(spell.plan.rule, spell.plan.zone, first, now // DAY_S + 2)
    return exercise.match(spell.plan, [due for due in dues if spell.holds(due.at)], seen.runs)


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


def _seen(
    inputs: UnitInputs,
    days: Sequence[Day],
    runs: Sequence[Run],
    demands: Sequence[StartDemand],
    reports: Habit,
    ledger: Ledger,
    since: int,
) -> Seen:
    of_run = {d.run_start: d for d in demands if d.run_start is not None}
    gaps = allowed_gaps(reports)
    last = days[-1].carry if days else None
    odd = [e.at for day in days for e in day.meter if e.kind != "spike"]
    fitted = [f.from_at for f in inputs.fittings if f.from_at is not None]
    hides_s = 0 if gaps.holds else reports.running_s
    by_meter = ledger.now.source == "meter" and last is not None
    return Seen(
        runs=[
            _candidate(run, of_run.get(run.start), hides_s) for run in runs if run.start >= since
        ],
        failed=[d.at for d in demands if d.end == "failed" and d.at >= since],
        hidden=[
            (d.at, d.end == "started")
            for d in demands
            if d.run_start is None and d.attempts and d.end != "failed" and d.at >= since
        ],
        gaps=[(gap.start, gap.end) for day in days for gap in day.gaps],
        first_at=next((day.first_at for day in days if day.first_at is not None), None),
        last_at=last.last_at if last else None,
        running_gap_s=gaps.running_s,
        holds=gaps.holds,
        standing_s=reports.standing_s,
        counter_at=[d.spots["start_attempts"].last_at for d in days if "start_attempts" in d.spots],
        meter=[(r.from_at, r.to_at, r.hours_h) for day in days for r in day.hours]
        if by_meter
        else (),
        meter_resolution_h=last.meter.resolution_h if last else None,
        broken=sorted([*odd, *fitted]),
        tells_starts=last is not None and bool({"crank", "started"} & set(last.starts.reports)),
        aside=[(s.from_at, FAR if s.to_at is None else s.to_at) for s in set_aside(inputs)],
        visits=_visits(inputs),
        out_of_auto=_out_of_auto(days),
    )


def _candidate(run: Run, demand: StartDemand | None, hides_s: int) -> Candidate:
    if demand is None:
        return Candidate(run, hides_s=hides_s)
    if demand.end == "by_hand":
        by_switch = "in_auto" in demand.seen_by
        return Candidate(run, "switch" if by_switch else "no_attempt", hides_s=hides_s)
    return Candidate(run, "", demand.attempts, hides_s)


def _visits(inputs: UnitInputs) -> list[tuple[int, int]]:
    """When somebody was at the set: visits from opening to closing, and other work by its time."""
    zone = inputs.site.time_zone
    found = []
    for record in inputs.records:
        if record.kind in AT_THE_SET:
            opened = moment(record.facts.get("opened"), zone, False) or record.at
            closed = moment(record.facts.get("closed"), zone, True) or record.at
            found.append((min(opened, closed), max(opened, closed)))
    return found


def _out_of_auto(days: Sequence[Day]) -> list[tuple[int, int]]:
    """Spells with the switch known to be out of automatic, as far as the days' ends tell.

    Where it was out and back within a day, from that day's beginning."""
    found = []
    for day in days:
        spell = day.carry.in_auto
        if spell is not None and spell.value == 0:
            found.append((spell.since, spell.at))
        elif spell is not None and spell.earliest is not None:
            out = day.spots.get("in_auto")
            begun = day.day * DAY_S if out is not None and out.min < 0.5 else spell.earliest
            found.append((min(begun, spell.earliest), spell.since))
    return found


def _joined(one: Candidate, why: dict[int, exercise.terms.Confidence]) -> Candidate:
    """The run with the reason that the agreed exercise gives it."""
    sure = why.get(one.run.start)
    if sure is None:
        return one
    run = msgspec.structs.replace(one.run, why="exercise", confidence=sure)
    return Candidate(run, one.hand, one.attempts, one.hides_s)


def _reasons(joined: Sequence[Candidate], days: Sequence[Day]) -> list[RunReason]:
    wired = {day.day for day in days if day.carry.in_auto is not None}
    found = []
    for one in joined:
        run = one.run
        itself, sure = exercise.by_itself(
            run, one.hand, one.attempts, run.start // DAY_S in wired
        )  # fmt: skip
        found.append(
            RunReason(
                start=run.start,
                why=run.why,
                confidence=run.confidence,
                by_itself=itself,
                itself_confidence=sure,
            )
        )
    return found


def _kept(reason: RunReason, now: int) -> bool:
    """Only what a stored day cannot say by itself is kept."""
    news = reason.why == "exercise" or reason.by_itself in ("yes", "likely")
    return news and reason.start > now - REASONS_DAYS * DAY_S


def _newest_proof(reasons: Sequence[RunReason]) -> ByItself | None:
    for reason in reversed(reasons):
        if reason.by_itself in ("yes", "likely") and reason.why in ("exercise", "outage"):
            return ByItself(
                at=reason.start,
                by_itself=reason.by_itself,
                why=reason.why,
                confidence=reason.itself_confidence,
            )
    return None


def _years(
    joined: Sequence[Candidate],
    days: Sequence[Day],
    ledger: Ledger,
    here: tuple[str, int],
    plan: Plan | None,
    now: int,
) -> tuple[YearHours, ...]:
    """This calendar year and the one before, as far as there are days."""
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
