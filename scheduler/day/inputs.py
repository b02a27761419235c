"""What is known of one day, put in one order, and how the device told of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.model import DeviceEvent, Series, no_series
from scheduler.day import plausible
from scheduler.day.document import Carry, DayFacts, fitted_in
from scheduler.rules import attempts, reporting, runs, spells, starting, supply
from scheduler.rules import mains as line
from scheduler.rules.signal import Gaps, allowed_gaps
from scheduler.rules.spells import Spells


@dataclass(frozen=True, slots=True)
class DayInputs:
    """What is known of one day, in one order."""

    facts: DayFacts
    start: int
    end: int
    series: dict[str, Series]
    events: tuple[DeviceEvent, ...]
    heard: NDArray[np.int64]
    carry: Carry
    gaps: Gaps
    fitting: str
    cuts: tuple[int, ...]
    mains_v: float
    """What the mains is nominally at between the two conductors it is read at [V]."""
    meter_sent: Series
    """What the hour meter sent, also beyond what can be hours: a count of seconds soon is."""

    def of(self, channel: str) -> Series:
        """The channel's values, of which those that are doubted are left out already."""
        return self.series.get(channel) or no_series()


def gather(
    facts: DayFacts,
    day: int,
    series: Mapping[str, Series],
    events: Iterable[DeviceEvent],
    carry: Carry,
) -> DayInputs:
    """What one UTC day gives to the rules: its readings, doubted ones left out, and its events in
    one order.

    Whatever the order of delivery, the same day comes out. day: counted from 1970 [UTC day].

    Gives: a record, readings in their channels' units. Definition.
    """
    start, end = day * DAY_S, (day + 1) * DAY_S
    sent = reporting.clip(series, start, end)
    kept = _doubted(facts, sent)
    inside = sorted(
        (_finite(e) for e in events if start <= e.at < end),
        key=lambda e: (e.at, e.event, e.channel, e.device, e.cause, sorted(e.values.items())),
    )
    once = {(e.at, e.event, e.channel, e.device): e for e in inside}
    fitting, cuts = carry.fitting, []
    for one in fitted_in(facts, start, end):
        begins = max(start, one.from_at or start)
        if fitting not in ("", one.id):
            cuts.append(begins)
        fitting = one.id
    if cuts:
        carry = msgspec.structs.replace(
            carry,
            dip=None,
            starts=msgspec.structs.replace(carry.starts, reports=()),
            supply=msgspec.structs.replace(carry.supply, system=""),
        )
    return DayInputs(
        facts,
        start,
        end,
        kept,
        tuple(once.values()),
        reporting.times(kept),
        carry,
        allowed_gaps(facts.habit),
        fitting,
        tuple(cuts),
        _mains_v(facts, kept, None if cuts else carry.mains_v),
        _finite_of(sent.get("run_hours_h") or no_series()),
    )


def _mains_v(facts: DayFacts, series: Mapping[str, Series], before: float | None) -> float:
    read = series.get("mains_v") or no_series()
    if facts.plate is None:
        return facts.nominal_v
    return supply.mains_nominal(facts.plate, read.v, before)


def _doubted(facts: DayFacts, series: dict[str, Series]) -> dict[str, Series]:
    """The series without what no set of this nominal and rating can give, and without what is no
    number at all."""
    found = {
        name: plausible.believed(name, one, facts.plate, facts.battery_v)
        for name, one in series.items()
    }
    return {name: one for name, one in found.items() if len(one)}


def _finite_of(series: Series) -> Series:
    keep = np.isfinite(series.v)
    return series if keep.all() else Series(series.t[keep], series.v[keep])


def _finite(event: DeviceEvent) -> DeviceEvent:
    """The event without values that are no numbers."""
    if all(math.isfinite(v) for v in event.values.values()):
        return event
    kept = {name: v for name, v in event.values.items() if math.isfinite(v)}
    return msgspec.structs.replace(event, values=kept)


def run_rules(facts: DayFacts, gaps: Gaps) -> runs.RunRules:
    """The lengths runs are told by: the allowed gaps of the habit, the signal's own hold times.

    Gives: a record in seconds [s]. Definition.
    """
    return runs.RunRules(
        standing_gap_s=gaps.standing_s,
        running_gap_s=gaps.running_s,
        hold_on_s=facts.signal.hold_on_s,
        hold_off_s=facts.signal.hold_off_s,
    )


def mains(g: DayInputs) -> Spells:
    """Present (1) or absent (0), as `scheduler.rules.mains` says, or as an event does.

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    read = g.of("mains_v")
    said = [(e.at, e.event == "mains_back") for e in g.events if e.event.startswith("mains_")]
    before = None if g.carry.mains is None else bool(g.carry.mains.value)
    present = line.present(read.v, g.mains_v, before)
    return spells.trace(read.t, present, said, g.carry.mains)


def panel_switch(g: DayInputs) -> Spells:
    """The panel switch: in automatic (1) or not (0).

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    read = g.of("in_auto")
    said = [(e.at, e.event == "in_auto") for e in g.events if e.event in ("in_auto", "not_in_auto")]
    return spells.trace(read.t, read.v >= 0.5, said, g.carry.in_auto)


def told(
    g: DayInputs,
) -> tuple[starting.Told, attempts.CounterCarry | None, attempts.DipCarry | None]:
    """Attempts as the device told of them, and their open state.

    Gives: records in counts [1] and UTC seconds [UTC s]. Definition.
    """
    read, before = g.of("start_attempts"), g.carry.counter
    rises, counter = attempts.count(read.t, read.v, before, g.cuts)
    volts, seconds = g.of("crank_min_v"), g.of("crank_s")
    dips, dip = attempts.dips(volts, seconds, g.heard, g.carry.last_at, g.carry.dip, g.cuts)
    cranked = {e.at for e in g.events if e.event in ("crank", "failed_to_start")}
    first = before.at if before is not None and not g.cuts else None
    if first is None and len(read):
        after = int(np.searchsorted(read.t, g.cuts[-1])) if g.cuts else 0
        first = int(read.t[after]) if after < len(read) else None
    what = starting.Told(
        rises,
        tuple(one for one in dips if one[0] not in cranked),
        g.events,
        read.t,
        first,
        {at: (_value(volts, at), _value(seconds, at)) for at in sorted(cranked)},
    )
    return what, counter, dip


def _value(series: Series, at: int) -> float | None:
    """The value of one second, if there is one."""
    place = int(np.searchsorted(series.t, at))
    return float(series.v[place]) if place < len(series) and series.t[place] == at else None
