"""One unit, all that is known of it, one verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import msgspec

from fleet.calendar import day_bounds, local_date, next_midnight
from fleet.defaults import LIMIT_ON_S, LOOK_AGAIN_AT_MOST_S
from fleet.model import DueItem, Finding, Habit, Run, StartDemand, UnitSummary
from fleet.registry.types import UnitInputs
from scheduler import day as days_of
from scheduler.assess import ahead, condition, exercise, findings, habit, hours, seen, starts
from scheduler.assess import battery as cells
from scheduler.assess import fuel as tank
from scheduler.assess import mains as at_site
from scheduler.assess import readiness as ready
from scheduler.assess import supply as volts
from scheduler.assess.verdict import Assessment, StartTally
from scheduler.day import Day, DayFacts
from scheduler.rules import service
from scheduler.rules.reliability import AT_95, Triggers
from scheduler.rules.usage import Prior

TALLY = 50
ASIDE_QUIETS = frozenset({"failed_start", "not_in_auto", "not_reporting"})
"""Findings that are only Notes while a unit is laid up or out of service for work."""


@dataclass(frozen=True, slots=True)
class _Open:
    """The open state at `now`, and everything known of runs and demands."""

    facts: DayFacts
    run: Run | None
    runs: list[Run]
    demand: StartDemand | None
    demands: list[StartDemand]


def day_facts(inputs: UnitInputs, reports: Habit) -> DayFacts:
    """What a unit's days depend on, for `scheduler.day`; reports: its reporting habit then."""
    return days_of.facts_of(
        inputs.unit,
        reports,
        inputs.fittings,
        inputs.calibrations,
        [at for at, _ in hours.anchors(inputs.unit, inputs.records)],
    )


def assess(
    inputs: UnitInputs,
    days: Sequence[Day],
    now: int,
    prior: Prior | None = None,
    triggers: Triggers = AT_95,
) -> Assessment:
    """The verdict on a unit at `now` (UTC seconds).

    days: its stored days, rising, at least back to the newest anchor of its engine hours and for
    a year; the newest carries the open state. prior: how sets of its area are used (None: a
    default). triggers: when a set's failed starts are a reason to look. The same inputs give the same verdict.
    """
    reports = habit.habit_of(inputs, days)
    now_open = _open_state(inputs, days, reports, now)
    at, limit_s, edges = _now(inputs, days, now_open, reports, now)
    hides_s = 0 if reports.mode == "on_change" else reports.running_s
    ledger = hours.ledger(inputs.unit, inputs.records, days, now_open.run, now, hides_s)
    due = _due(inputs, ledger, now)
    looked = exercise.look(
        inputs, days, now_open.runs, now_open.demands, reports, ledger, at.aside, now
    )
    found = _findings(inputs, days, now_open, at, limit_s, ledger, due, reports)
    due, coming = ahead.look(inputs, days, looked.runs, ledger, due, now, prior)
    started, about_starts = starts.look(inputs, now_open.demands, now, triggers)
    oil = _oil(inputs, now_open, at, coming)
    line, outages, about_mains = at_site.look(inputs, days, at, limit_s, reports)
    battery, about_battery = cells.look(inputs, days, now_open.demands, at)
    fuel, about_fuel = tank.look(inputs, days, looked.runs, at)
    supplied, about_supply = volts.look(inputs, days, looked.runs or now_open.runs, at)
    halted = ready.shut_down(inputs, days, looked.runs, now_open.demands, at)
    more = [*looked.findings, *about_starts, *oil, *about_mains, *about_fuel, *halted]
    found = findings.in_order([*found, *more, *about_supply, *about_battery])
    blind = seen.blind_spots(inputs, days)
    verdict = ready.look(
        inputs, days, now_open.demands, at, looked, found, blind,
        battery=battery, out_at_last_run=supplied.out_at_last_run,
    )  # fmt: skip
    edges += verdict.edges
    word, since = condition.condition(inputs, at)
    running = now_open.run is not None and now_open.run.end is None
    pulse = seen.newest_pulse(inputs)
    summary = UnitSummary(
        unit=inputs.unit.id,
        at=now,
        condition=word,
        condition_since=since,
        heard_at=at.silence.heard_at,
        newest_at=pulse.newest_at if pulse else None,
        hours=ledger.now,
        findings=found,
        last_run=next(iter([*looked.runs[-1:], *now_open.runs[-1:]]), None),
        last_start=now_open.demands[-1] if now_open.demands else None,
        next_due=next((item for item in due if item.state != "unknown"), None),
        silent_limit_s=limit_s,
        clock_note=_clock_note(found),
        demands=started.share.demands if started.share else 0,
        demands_failed=started.share.failed if started.share else 0,
        other_runs=coming.other.months,
        other_hours_h=coming.other.hours_h,
        mains=line,
        readiness=verdict.now,
        adopted=verdict.adopted,
        learning_until=verdict.learning_until,
    )
    if line.state != "unknown" and line.at is not None:
        edges.append(line.at + limit_s + 1)
    if coming.oil is not None:
        edges.append(coming.oil.next_at)
    return Assessment(
        unit=inputs.unit.id,
        at=now,
        summary=summary,
        due=due,
        findings=found,
        hours=ledger.now,
        habit=reports,
        gap_s=habit.gap_s(reports, running),
        silent_limit_s=limit_s,
        look_again_at=min(edge for edge in edges if edge > now),
        starts_50=_tally(now_open.demands),
        blind=blind,
        exercise=looked.exercise,
        reasons=looked.reasons,
        years=looked.years,
        light_load=looked.light_load,
        code=looked.code,
        by_itself=looked.by_itself,
        starts=started,
        ahead=coming,
        readiness=verdict.now,
        supply=supplied,
        mains=line,
        outages=outages,
        fuel=fuel,
        battery=battery,
    )


def _oil(
    inputs: UnitInputs, now_open: _Open, at: condition.Now, coming: ahead.Ahead
) -> list[Finding]:
    """An oil check inside a long run, of a set that is heard and not out for work."""
    if now_open.run is None or at.silent or at.aside is not None:
        return []
    found = ahead.oil_finding(inputs, now_open.run.start, coming.oil, at.now)
    return [] if found is None else [found]


def _open_state(inputs: UnitInputs, days: Sequence[Day], reports: Habit, now: int) -> _Open:
    facts = day_facts(inputs, reports)
    carry = days[-1].carry if days else None
    run = days_of.close_open(carry, now, facts) if carry else None
    demand = days_of.open_demand(carry, now, facts) if carry else None
    runs = hours.all_runs(days, run)
    demands = [d for day in days for d in day.starts]
    if demand is not None and all(d.at != demand.at for d in demands[-3:]):
        demands.append(demand)
    return _Open(facts, run, runs, demand, demands)


def _now(
    inputs: UnitInputs, days: Sequence[Day], now_open: _Open, reports: Habit, now: int
) -> tuple[condition.Now, int, list[int]]:
    """The open state, the silence limit [s], and the moments at which it may look different."""
    carry = days[-1].carry if days else None
    running = now_open.run is not None and now_open.run.end is None
    limit_s = habit.silent_limit_s(reports, running, seen.newest_pulse(inputs))
    quiet = seen.silence(inputs, days, now)
    if not quiet.ever:
        limit_s = max(limit_s, findings.NEVER_HEARD_S)
    aside, edges = seen.aside(inputs, now)
    at = condition.Now(
        now=now,
        silence=quiet,
        silent=quiet.since is not None and now - quiet.since >= limit_s,
        aside=aside,
        run=now_open.run,
        demand=now_open.demand,
        in_auto=carry.in_auto if carry else None,
        last_stop=now_open.runs[-1].end if now_open.runs else None,
        running_known_s=habit.running_known_s(reports),
    )
    edges += [now + LOOK_AGAIN_AT_MOST_S, next_midnight(now, inputs.site.time_zone)]
    if quiet.since is not None:
        edges.append(quiet.since + limit_s)
    if at.in_auto is not None and at.in_auto.value == 0:
        edges.append(at.in_auto.since + LIMIT_ON_S)
    if running and now_open.run is not None:
        edges.append(now_open.run.last_on_at + at.running_known_s + 1)
    cranking = condition.cranking_until(inputs, now_open.demand)
    again = days_of.look_again_at(carry, now_open.facts) if carry else None
    edges += [moment for moment in (cranking, again) if moment is not None]
    return at, limit_s, edges


def _findings(
    inputs: UnitInputs,
    days: Sequence[Day],
    now_open: _Open,
    at: condition.Now,
    limit_s: int,
    ledger: hours.Ledger,
    due: Sequence[DueItem],
    reports: Habit,
) -> tuple[Finding, ...]:
    word, _ = condition.active(inputs, at)
    possible = [
        findings.failed_start(inputs, now_open.demands, now_open.runs, at),
        findings.not_reporting(at, limit_s, word),
        findings.not_in_auto(at),
        *(service.finding(item, _due_since(item, inputs, ledger, at.now)) for item in due),
    ]
    found = [finding for finding in possible if finding is not None]
    hides_s = 0 if reports.mode == "on_change" else reports.running_s
    check = hours.cross_check(days, now_open.run, at.now, hides_s)
    refused = ledger.now.source == "integrated" and check is not None
    found += findings.meter_findings(inputs, days, check, refused, at.now)
    found += findings.device_findings(inputs)
    if at.aside is not None:
        found = [_quieted(finding, at.aside.condition) for finding in found]
    return findings.in_order(found)


def _quieted(finding: Finding, why: str) -> Finding:
    if finding.kind not in ASIDE_QUIETS:
        return finding
    return msgspec.structs.replace(
        finding, severity="note", facts={**finding.facts, "set_aside": why}
    )


def _due(inputs: UnitInputs, ledger: hours.Ledger, now: int) -> tuple[DueItem, ...]:
    if inputs.plan is None:
        return ()
    begun_at = _begun_at(inputs, ledger)
    zone = inputs.site.time_zone
    situation = service.Situation(
        unit=inputs.unit.id,
        zone=zone,
        now=now,
        hours_now_h=None if ledger.rough else ledger.now.hours_h,
        hours_at=ledger.at,
        begun_on=None if begun_at is None else local_date(begun_at, zone),
        begun_h=_begun_h(ledger, begun_at),
        last_service=_written_date(inputs.unit.last_service),
        last_service_h=inputs.unit.last_service_hours,
        make=inputs.unit.make,
        model=inputs.unit.model,
        fuel=inputs.unit.fuel,
        strict=_strict(inputs, now),
    )
    return service.due_items(inputs.plan, inputs.records, situation)


def _strict(inputs: UnitInputs, now: int) -> bool:
    """Bound by a code or by the maker's warranty: its work has no tolerance (ENGINEERING 5)."""
    until = _written_date(inputs.unit.warranty_to)
    under = until is not None and local_date(now, inputs.site.time_zone) <= until
    return inputs.unit.nfpa_110 or under


def _begun_at(inputs: UnitInputs, ledger: hours.Ledger) -> int | None:
    """When the set began here: its first fitting, anchor or report, whichever came first."""
    moments = [f.from_at for f in inputs.fittings if f.from_at is not None]
    moments += [at for at, _ in ledger.anchors]
    if ledger.first_at is not None:
        moments.append(ledger.first_at)
    return min(moments, default=None)


def _begun_h(ledger: hours.Ledger, begun_at: int | None) -> float | None:
    """The first engine hours known [h]."""
    firsts = [moment for moment in (begun_at, ledger.first_at) if moment is not None]
    firsts += [at for at, _ in ledger.anchors[:1]]
    known = (ledger.at(moment) for moment in sorted(firsts))
    return next((value for value in known if value is not None), None)


def _due_since(item: DueItem, inputs: UnitInputs, ledger: hours.Ledger, now: int) -> int:
    """When the work fell due, or soon: by the hours run, else by the local calendar."""
    soon = item.state == "soon"
    if item.binds == "hours" and item.due_at_hours_h is not None:
        every = item.every_h or 0.0
        mark = item.due_at_hours_h - (every * (1 - service.SOON_HOURS_SHARE) if soon else 0.0)
        moment = ledger.when(mark)
        if moment is not None:
            return min(moment, now)
    if item.binds == "calendar" and item.due_on is not None:
        early = service.soon_days(item.every_months or 0) if soon else 0
        return min(_local_start(item.due_on, inputs, -early), now)
    if item.last_done_on is not None:
        return min(_local_start(item.last_done_on, inputs), now)
    return min(ledger.first_at or now, now)


def _local_start(day: str, inputs: UnitInputs, plus_days: int = 0) -> int:
    on = date.fromisoformat(day) + timedelta(days=plus_days)
    return day_bounds(on, inputs.site.time_zone)[0]


def _written_date(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text[:10]) if text else None
    except ValueError:
        return None


def _tally(demands: Sequence[StartDemand]) -> StartTally:
    judged = [d for d in demands if d.end in ("started", "failed")][-TALLY:]
    failed = sum(d.end == "failed" for d in judged)
    return StartTally(
        demands=len(judged),
        started=len(judged) - failed,
        failed=failed,
        first_at=judged[0].at if judged else None,
        last_at=judged[-1].at if judged else None,
    )


def _clock_note(found: Sequence[Finding]) -> str:
    wrong = any(finding.kind == "clock_wrong" for finding in found)
    return "the device's clock is wrong: times are those of receipt" if wrong else ""
