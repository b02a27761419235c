"""What is known of one day, put in one order, and how the device told of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.channels import AC_VOLTS
from fleet.model import DeviceEvent, Series, no_series
from scheduler.day.document import Carry, DayFacts, fitted_in
from scheduler.rules import attempts, reporting, runs, spells, starting
from scheduler.rules import mains as line
from scheduler.rules.signal import Gaps, allowed_gaps, plausible
from scheduler.rules.spells import Spells

AC_MOST_V = 600.0
AC_MOST_SHARE = 2.0
"""AC volts are doubted beyond 600 V, and on sets whose lines stand higher beyond twice
their nominal, taken as line to neutral where there are three. Common practice, no source."""


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

    def of(self, channel: str) -> Series:
        """The channel's plausible values; the others are doubted and ignored by every rule."""
        return plausible(channel, self.series.get(channel) or no_series())


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
    kept = _doubted(facts, reporting.clip(series, start, end))
    inside = sorted(
        (e for e in events if start <= e.at < end),
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
    )


def _doubted(facts: DayFacts, series: dict[str, Series]) -> dict[str, Series]:
    """The series without volts that no set of this nominal can give: a sentinel, a stray scale.

    A runaway of a set of 480 V to 650 V is none of these: it is what must be seen.
    """
    three = facts.plate is not None and facts.plate.phases == "3"
    most = max(AC_MOST_V, AC_MOST_SHARE * facts.nominal_v * (3**0.5 if three else 1.0))
    kept = {}
    for name, one in series.items():
        if name in AC_VOLTS and len(one) and one.v.max() > most:
            one = Series(one.t[one.v <= most], one.v[one.v <= most])
        if len(one):
            kept[name] = one
    return kept


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
    present = line.present(read.v, g.facts.nominal_v, before)
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
