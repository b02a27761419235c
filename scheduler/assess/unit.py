"""One unit, all that is known of it, one verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from fleet.findings import row_of
from fleet.findings.reporting import ClockWrong
from fleet.model import DueItem, Finding, Habit, MainsNow, Run, StartDemand, UnitSummary
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import ahead, condition, exercise, findings, habit, hours, last_known, starts
from scheduler.assess import battery as cells
from scheduler.assess import fuel as tank
from scheduler.assess import mains as at_site
from scheduler.assess import readiness as ready
from scheduler.assess import supply as volts
from scheduler.assess.card import card_findings
from scheduler.assess.current import Open, now_of, open_state
from scheduler.assess.due import due_items, due_since
from scheduler.assess.supply.points import points_of
from scheduler.assess.verdict import Assessment, Blind, StartTally
from scheduler.day import Day
from scheduler.rules import service
from scheduler.rules.battery import BatterySeen
from scheduler.rules.fuel import FuelSeen
from scheduler.rules.mains import Outage
from scheduler.rules.reliability import AT_95, Triggers
from scheduler.rules.runs import RunsCarry
from scheduler.rules.supply import SupplySeen
from scheduler.rules.usage import Prior

TALLY = 50
"""Newest demands, of those whose end was seen, that the tally counts. Definition."""


@dataclass(frozen=True, slots=True)
class _Parts:
    """What each part of the unit says."""

    ledger: hours.Ledger
    due: tuple[DueItem, ...]
    exercise: exercise.Looked
    ahead: ahead.Ahead
    starts: starts.StartsSeen
    mains: MainsNow
    outages: tuple[Outage, ...]
    battery: BatterySeen
    fuel: FuelSeen
    supply: SupplySeen
    found: tuple[Finding, ...]
    blind: tuple[Blind, ...]
    verdict: ready.Ready


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

    Gives: a record. Definition.
    """
    reports = habit.habit_of(inputs, days)
    now_open = open_state(inputs, days, reports, now)
    at, limit_s, edges = now_of(inputs, days, now_open, reports, now)
    parts = _looked(inputs, days, now_open, at, limit_s, reports, prior, triggers)
    edges += parts.verdict.edges
    if parts.mains.state != "unknown" and parts.mains.at is not None:
        edges.append(parts.mains.at + limit_s + 1)
    if parts.ahead.oil is not None:
        edges.append(parts.ahead.oil.next_at)
    running = now_open.run is not None and now_open.run.end is None
    return Assessment(
        unit=inputs.unit.id,
        at=now,
        summary=_summary(inputs, days, now_open, at, limit_s, parts),
        due=parts.due,
        findings=parts.found,
        hours=parts.ledger.now,
        habit=reports,
        gap_s=habit.gap_s(reports, running),
        silent_limit_s=limit_s,
        look_again_at=min(edge for edge in edges if edge > now),
        starts_50=_tally(now_open.demands),
        blind=parts.blind,
        exercise=parts.exercise.exercise,
        reasons=parts.exercise.reasons,
        years=parts.exercise.years,
        light_load=parts.exercise.light_load,
        code=parts.exercise.code,
        by_itself=parts.exercise.by_itself,
        starts=parts.starts,
        ahead=parts.ahead,
        readiness=parts.verdict.now,
        supply=parts.supply,
        mains=parts.mains,
        outages=parts.outages,
        fuel=parts.fuel,
        battery=parts.battery,
    )


def _looked(
    inputs: UnitInputs,
    days: Sequence[Day],
    now_open: Open,
    at: condition.Now,
    limit_s: int,
    reports: Habit,
    prior: Prior | None,
    triggers: Triggers,
) -> _Parts:
    """Every part of the unit looked at in turn, each with what those before it found."""
    now, demands = at.now, now_open.demands
    hides_s = 0 if reports.mode == "on_change" else reports.running_s
    zone = inputs.site.time_zone
    ledger = hours.ledger(inputs.unit, inputs.records, days, now_open.run, now, hides_s, zone)
    due = due_items(inputs, ledger, now)
    looked = exercise.look(inputs, days, now_open.runs, demands, reports, ledger, at.aside, now)
    found = _findings(inputs, days, now_open, at, limit_s, ledger, due)
    due, coming = ahead.look(inputs, days, looked.runs, ledger, due, now, prior)
    started, about_starts = starts.look(inputs, demands, now, triggers)
    oil = _oil(inputs, now_open, at, coming)
    line, outages, about_mains = at_site.look(inputs, days, at, limit_s, reports)
    battery, about_battery = cells.look(inputs, days, demands, at)
    fuel, about_fuel = tank.look(inputs, days, looked.runs, at)
    points = points_of(days, now)
    supplied, about_supply = volts.look(inputs, days, looked.runs or now_open.runs, at, points)
    halted = ready.shut_down(inputs, days, looked.runs, demands, at)
    more = [*looked.findings, *about_starts, *oil, *about_mains, *about_fuel, *halted]
    found = findings.in_order([*found, *more, *about_supply, *about_battery])
    found = findings.with_age(inputs, found, at, limit_s, reports.mode == "on_change")
    blind = last_known.blind_spots(inputs, days)
    verdict = ready.look(
        inputs,
        days,
        demands,
        at,
        looked,
        found,
        blind,
        points,
        battery=battery,
        out_at_last_run=supplied.out_at_last_run,
    )
    return _Parts(
        ledger,
        due,
        looked,
        coming,
        started,
        line,
        outages,
        battery,
        fuel,
        supplied,
        found,
        blind,
        verdict,
    )


def _summary(
    inputs: UnitInputs,
    days: Sequence[Day],
    now_open: Open,
    at: condition.Now,
    limit_s: int,
    parts: _Parts,
) -> UnitSummary:
    word, since = condition.condition(inputs, at)
    pulse = last_known.newest_pulse(inputs)
    share = parts.starts.share
    signal = days[-1].carry.runs if days else RunsCarry()
    return UnitSummary(
        unit=inputs.unit.id,
        at=at.now,
        condition=word,
        condition_since=since,
        heard_at=at.silence.heard_at,
        newest_at=pulse.newest_at if pulse else None,
        hours=parts.ledger.now,
        findings=parts.found,
        last_run=_last_run(parts, now_open),
        last_start=now_open.demands[-1] if now_open.demands else None,
        next_due=next((item for item in parts.due if item.state != "unknown"), None),
        silent_limit_s=limit_s,
        clock_note=_clock_note(parts.found),
        demands=share.demands if share else 0,
        demands_failed=share.failed if share else 0,
        other_runs=parts.ahead.other.months,
        other_hours_h=parts.ahead.other.hours_h,
        mains=parts.mains,
        readiness=parts.verdict.now,
        adopted=parts.verdict.adopted,
        learning_until=parts.verdict.learning_until,
        turned_at=signal.last_at if signal.last_on else None,
        stood_at=None if signal.last_on else signal.last_at,
        dark_at=at.dark_at,
    )


def _last_run(parts: _Parts, now_open: Open) -> Run | None:
    """The newest run. One that the set fell silent in has no latest end: it may run on."""
    run = next(iter([*parts.exercise.runs[-1:], *now_open.runs[-1:]]), None)
    if run is None or parts.verdict.now.ran_at is None or run.end_seen != "gap":
        return run
    return msgspec.structs.replace(run, end_latest=None)


def _oil(
    inputs: UnitInputs, now_open: Open, at: condition.Now, coming: ahead.Ahead
) -> list[Finding]:
    """An oil check inside a long run, of a set that is heard and not out for work."""
    if now_open.run is None or at.silent or at.aside is not None:
        return []
    found = ahead.oil_finding(inputs, now_open.run.start, coming.oil, at.now)
    return [] if found is None else [found]


def _findings(
    inputs: UnitInputs,
    days: Sequence[Day],
    now_open: Open,
    at: condition.Now,
    limit_s: int,
    ledger: hours.Ledger,
    due: Sequence[DueItem],
) -> tuple[Finding, ...]:
    word, since = condition.active(inputs, at)
    ran_at = since if word == "last_heard_running" else None
    possible = [
        findings.failed_start(inputs, now_open.demands, now_open.runs, at),
        findings.not_reporting(at, limit_s, word, ran_at),
        findings.not_in_auto(at),
        *(service.finding(item, due_since(item, inputs, ledger, at.now)) for item in due),
    ]
    found = [finding for finding in possible if finding is not None]
    found += findings.meter_findings(inputs, days, ledger, at.now)
    found += findings.device_findings(inputs)
    found += card_findings(inputs, at.now)
    if at.aside is not None:
        found = [_quieted(finding, at.aside.condition) for finding in found]
    return findings.in_order(found)


def _quieted(finding: Finding, why: str) -> Finding:
    """A Note, where its row says so of a set that is set aside. why: what set it aside."""
    if row_of(finding.facts).quiet.set_aside != "note":
        return finding
    facts = msgspec.structs.replace(finding.facts, set_aside=why)
    return msgspec.structs.replace(finding, severity="note", facts=facts)


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
    wrong = any(isinstance(finding.facts, ClockWrong) for finding in found)
    return "the device's clock is wrong: times are those of receipt" if wrong else ""
