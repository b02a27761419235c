"""The open state of one unit: run, demand, silence, and when it may look different."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fleet.calendar import next_midnight
from fleet.channels import AC_VOLTS
from fleet.defaults import LIMIT_ON_S, LOOK_AGAIN_AT_MOST_S
from fleet.model import Habit, Run, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler import day as days_of
from scheduler.assess import condition, findings, habit, hours, last_known
from scheduler.day import Carry, Day, DayFacts
from scheduler.day.missing import LEAST_HZ, LEAST_RPM, MADE_SHARE


@dataclass(frozen=True, slots=True)
class Open:
    """The open state at `now`, and everything known of runs and demands."""

    facts: DayFacts
    run: Run | None
    runs: list[Run]
    demand: StartDemand | None
    demands: list[StartDemand]


def day_facts(inputs: UnitInputs, reports: Habit) -> DayFacts:
    """What a unit's days depend on, for `scheduler.day`; reports: its reporting habit then.

    Gives: a record. Definition.
    """
    return days_of.facts_of(
        inputs.unit,
        reports,
        inputs.fittings,
        inputs.calibrations,
        hours.reading_moments(inputs.unit, inputs.records),
    )


def open_state(inputs: UnitInputs, days: Sequence[Day], reports: Habit, now: int) -> Open:
    """The unit's open run and demand at `now` (UTC seconds), closed as far as `now` closes them.

    Gives: a record in UTC seconds [UTC s]. Definition.
    """
    facts = day_facts(inputs, reports)
    carry = days[-1].carry if days else None
    later_s = habit.held_back_now_s(last_known.newest_pulse(inputs))
    run = days_of.close_open(carry, now, facts, later_s) if carry else None
    demand = days_of.open_demand(carry, now - later_s, facts) if carry else None
    runs = hours.all_runs(days, run)
    demands = [d for day in days for d in day.starts]
    if demand is not None and all(d.at != demand.at for d in demands[-3:]):
        demands.append(demand)
    return Open(facts, run, runs, demand, demands)


def now_of(
    inputs: UnitInputs, days: Sequence[Day], now_open: Open, reports: Habit, now: int
) -> tuple[condition.Now, int, list[int]]:
    """The open state, the silence limit [s], and the moments at which it may look different.

    Gives: a record, seconds [s] and moments [UTC s]. Definition.
    """
    carry = days[-1].carry if days else None
    running = now_open.run is not None and now_open.run.end is None
    pulse = last_known.newest_pulse(inputs)
    limit_s = habit.silent_limit_s(reports, running, pulse)
    quiet = last_known.silence(inputs, days, now)
    if not quiet.ever:
        limit_s = max(limit_s, findings.NEVER_HEARD_S)
    aside, edges = last_known.aside(inputs, now)
    if quiet.puzzling_at is not None:
        edges.append(quiet.puzzling_at + limit_s)
        if now - quiet.puzzling_at >= limit_s:
            quiet = replace(quiet, puzzling_since=None, puzzling_at=None, two_devices="")
    at = condition.Now(
        now=now,
        silence=quiet,
        silent=quiet.since is not None
        and (bool(quiet.two_devices) or now - quiet.since >= limit_s),
        aside=aside,
        run=now_open.run,
        demand=now_open.demand,
        in_auto=carry.in_auto if carry else None,
        last_stop=now_open.runs[-1].end if now_open.runs else None,
        came_on_at=None if carry is None else _came_on(carry, now_open.facts, now),
        dark_at=None if carry is None else _dark(inputs, carry, now_open.facts, now),
        running_known_s=habit.running_known_s(reports, pulse),
        mains_v=carry.mains_v if carry else None,
    )
    edges += [now + LOOK_AGAIN_AT_MOST_S, next_midnight(now, inputs.site.time_zone)]
    if quiet.since is not None:
        edges.append(quiet.since + limit_s)
    if at.in_auto is not None and at.in_auto.value == 0:
        edges.append(at.in_auto.since + LIMIT_ON_S)
    if running and now_open.run is not None:
        edges.append(now_open.run.last_on_at + at.running_known_s + 1)
    if carry is not None and carry.runs.candidate is not None and carry.runs.last_at is not None:
        edges.append(carry.runs.last_at + now_open.facts.signal.hold_on_s + 1)
    edges += [
        moment + at.running_known_s + 1
        for moment in (at.came_on_at, at.dark_at)
        if moment is not None
    ]
    cranking = condition.cranking_until(inputs, now_open.demand)
    later_s = habit.held_back_now_s(pulse)
    again = days_of.look_again_at(carry, now_open.facts, later_s) if carry else None
    edges += [moment for moment in (cranking, again) if moment is not None]
    return at, limit_s, edges


def _came_on(carry: Carry, facts: DayFacts, now: int) -> int | None:
    """When a set without an open run was last said to turn: its signal was on when last read, for
    less than its hold time, which has passed since; or the device said `started`, and nothing more."""
    runs = carry.runs
    if runs.run is not None:
        return None
    if runs.candidate is not None and runs.last_on and runs.last_at is not None:
        return runs.last_at if now - runs.last_at > facts.signal.hold_on_s else None
    return runs.started_at


def _dark(inputs: UnitInputs, carry: Carry, facts: DayFacts, now: int) -> int | None:
    """When its speed, or with the mains off its hertz or one of its circuits, last had the engine
    turning, where its running signal was off at or before that: a run that this signal cannot see.

    With the mains on, hertz and volts may be the mains', read on the wrong side.
    """
    runs = carry.runs
    if runs.run is not None or runs.last_on or runs.last_at is None:
        return None
    least = {"speed_rpm": LEAST_RPM}
    mains = last_known.newest(inputs, "mains_v", now)
    nominal_v = carry.mains_v or inputs.unit.nominal_v
    if mains is not None and mains.at >= runs.last_at and mains.value < nominal_v / 2:
        least |= {"frequency_hz": LEAST_HZ}
        least |= {name: MADE_SHARE * facts.nominal_v for name in AC_VOLTS if name != "mains_v"}
    own = {facts.signal.first.channel}
    if facts.signal.second is not None:
        own.add(facts.signal.second.channel)
    found = [
        one.at
        for name, value in least.items()
        if name not in own
        and (one := last_known.newest(inputs, name, now)) is not None
        and one.at >= runs.last_at
        and one.value >= value
    ]
    return max(found, default=None)
