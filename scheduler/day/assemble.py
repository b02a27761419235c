"""The order in which the rules of a day are asked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.hour_format import hour_format_of
from fleet.model import DeviceEvent, Series
from scheduler.day import explain
from scheduler.day.document import Carry, Day, DayFacts, Halt, MainsEdge
from scheduler.day.inputs import DayInputs, gather, mains, panel_switch, run_rules, told
from scheduler.day.missing import company
from scheduler.day.watched import watched_battery, watched_supply
from scheduler.rules import fuel, hours, reporting, runs, signal, starting, warmth
from scheduler.rules.signal import Trace
from scheduler.rules.spells import Spell, Spells

HALTS = frozenset({"shutdown", "emergency_stop"})


def digest(
    facts: DayFacts,
    day: int,
    series: Mapping[str, Series],
    events: Iterable[DeviceEvent] = (),
    carry: Carry | None = None,
) -> Day:
    """Digest one UTC day.

    series: channel -> calibrated values of the whole day (readings outside it are ignored).
    events: the device events of the day, in any order. carry: `Day.carry` of the day before.
    Raises ValueError when the running signal or the habit cannot work.

    day: the UTC day, counted from 1970 [UTC day].

    Gives: a record. Definition.
    """
    given = gather(facts, day, series, events, carry or Carry())
    what, counter, dip = told(given)
    trace, signal_carry, found_runs, meter = _engine(given, what)
    line, auto = mains(given), panel_switch(given)
    begun = explain.begun(found_runs, auto)
    starts = _starts(given, trace, found_runs, begun, what, meter)
    whole = explain.explain(given, found_runs, begun, starts, line)
    on = _on_at(given, trace)
    standing_s, running_s = reporting.intervals(given.heard, on)
    rise_h, watched_s = _standing(given, trace, found_runs, meter)
    heard, before = given.heard, given.carry
    supplied, supply_carry = watched_supply(given, whole.runs, whole.carry.run, what)
    cells, cells_carry = watched_battery(given, whole.runs, whole.carry.run, what, line)
    level = given.of("fuel_pct")
    knots, fuel_carry = fuel.smooth(level.t, level.v, before.fuel)
    joined = before.signal.joined
    last = None if before.last_at is None else (before.last_at, joined is not None and joined.on)
    return Day(
        unit=facts.unit,
        day=day,
        n=len(heard),
        first_at=int(heard[0]) if len(heard) else None,
        last_at=int(heard[-1]) if len(heard) else None,
        runs=whole.runs,
        starts=warmth.noted(starts.demands, given.series),
        hours=meter.rises,
        meter=meter.events,
        standing_interval_s=standing_s,
        running_interval_s=running_s,
        rise_standing_h=rise_h,
        standing_watched_s=watched_s,
        spots=reporting.spots(given.series),
        gaps=reporting.silences(heard, on, last, given.gaps.standing_s, given.gaps.running_s),
        mains=_edges(line, before.mains),
        supply=supplied,
        fuel=knots,
        battery=cells,
        halts=tuple(
            Halt(at=e.at, event=e.event, cause=e.cause) for e in given.events if e.event in HALTS
        ),
        carry=Carry(
            fitting=given.fitting,
            last_at=int(heard[-1]) if len(heard) else before.last_at,
            signal=signal_carry,
            runs=whole.carry,
            meter=meter.carry,
            counter=counter,
            dip=dip,
            starts=starts.carry,
            in_auto=auto.last,
            mains=line.last,
            mains_v=given.mains_v if len(given.of("mains_v")) else before.mains_v,
            supply=supply_carry,
            fuel=fuel_carry,
            battery=cells_carry,
        ),
    )


def _engine(
    g: DayInputs, what: starting.Told
) -> tuple[Trace, signal.SignalCarry, runs.Found, hours.MeterDay]:
    """The running signal, the hour meter, and the runs that come of both."""
    said = [(e.at, e.event) for e in g.events if e.event == "started" or e.event in runs.STOPS]
    heard = g.heard
    if g.gaps.holds and g.events:
        heard = np.union1d(heard, np.array([e.at for e in g.events], np.int64))
    trace, signal_carry = signal.evaluate(
        g.facts.signal,
        g.series,
        heard,
        g.gaps,
        g.carry.signal,
        [(at, name == "started") for at, name in said],
    )
    read = g.of("run_hours_h")
    meter = hours.rise(
        read.t,
        read.v,
        g.carry.meter,
        anchors=g.facts.anchors,
        cuts=g.cuts,
        digits=g.facts.hour_meter_digits,
        declared=hour_format_of(c for c in g.facts.calibrations if c.fitting == g.fitting),
        sent=g.meter_sent,
    )
    found = runs.find(
        trace.t,
        trace.on,
        trace.real,
        () if g.gaps.holds else said,
        g.end,
        run_rules(g.facts, g.gaps),
        runs.Meter(meter.t, meter.h, meter.resolution_h),
        g.carry.runs,
        company(g, trace, what),
    )
    return trace, signal_carry, found, meter


def _edges(line: Spells, before: Spell | None) -> tuple[MainsEdge, ...]:
    fresh = [s for s in line.spells if s.earliest is not None]
    return tuple(
        MainsEdge(
            kind="back" if s.value else "lost", earliest=s.earliest or s.since, latest=s.since
        )
        for s in fresh
        if before is None or s.since > before.since
    )


def _starts(
    g: DayInputs,
    trace: Trace,
    found: runs.Found,
    begun: Sequence[starting.Begun],
    what: starting.Told,
    meter: hours.MeterDay,
) -> starting.Found:
    facts, holds = g.facts, g.gaps.holds
    busy = [(r.start, r.last_on_at if r.end is None else r.end) for r in found.runs]
    if found.carry.run is not None:
        busy.append((found.carry.run.start, found.carry.run.last_on_at))
    watched = starting.Watched(
        trace.t,
        g.carry.runs.last_at,
        meter.t,
        meter.h,
        meter.resolution_h,
        0 if holds else facts.habit.running_s,
        g.gaps.standing_s,
    )
    cycle = facts.cranking_cycle_s or starting.CYCLES[facts.engine_class].total_s
    margin = starting.LAG_S if holds else facts.habit.running_s + starting.LAG_S
    return starting.find(what, begun, busy, watched, cycle, margin, g.carry.starts)


def _on_at(g: DayInputs, trace: Trace) -> NDArray[np.bool_]:
    """Whether the engine ran at each reading's time, as last known."""
    joined = g.carry.signal.joined
    before = joined is not None and joined.on
    if len(trace.t) == 0:
        return np.full(len(g.heard), before)
    if len(trace.t) == len(g.heard) and trace.t[0] == g.heard[0]:
        return trace.on
    place = np.searchsorted(trace.t, g.heard, side="right") - 1
    return np.where(place >= 0, trace.on[place], before)


def _standing(
    g: DayInputs, trace: Trace, found: runs.Found, meter: hours.MeterDay
) -> tuple[float, int]:
    """(hours the meter gained, seconds watched) while the signal was seen off throughout."""
    if len(trace.t) == 0 or len(meter.t) < 2:
        return 0.0, 0
    first = g.carry.runs.last_at
    busy = [(g.start - 10 * DAY_S, int(trace.t[0]))] if first is None else []
    busy.append((int(trace.t[-1]), g.end))
    t = trace.t if first is None else np.append(first, trace.t)
    long = np.flatnonzero(np.diff(t) > g.gaps.standing_s)
    busy += [(int(t[k]), int(t[k + 1])) for k in long.tolist()]
    for run in found.runs:
        began = run.start if run.start_earliest is None else run.start_earliest
        busy.append((began, run.end_latest or run.end or run.last_on_at))
    going = found.carry.run
    if going is not None:
        began = going.start if going.start_earliest is None else going.start_earliest
        busy.append((began, g.end))
    return hours.risen_while(meter.t, meter.h, busy, g.gaps.standing_s)
