"""One day of volts and hertz: a point a run, and the troubles that are waited for, met, ended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import Series, SignalChannel, no_series
from scheduler.rules.supply import bands, circuits, legs, out, points, settled, standing
from scheduler.rules.supply.settled import DEAD_SHARE
from scheduler.rules.supply.terms import (
    Delay,
    OutSpell,
    Plate,
    RunPoint,
    SupplyCarry,
    SupplyDay,
    Trouble,
)

STANDING_SHARE = 0.5
"""Volts on a standing set: above half of nominal (ENGINEERING 9)."""
STRAY_SHARE = 0.1
"""Stray volts: from a tenth of nominal on; below, what an open lead picks up. Common practice, no
source."""
UNTOLD_SHARE = 0.2
CIRCUIT_CLEAR = 1.02
"""A dead circuit is back 2 % above its limit (ENGINEERING, Defaults)."""
CHANNELS = (
    "ac_v", "ac_l1_v", "ac_l2_v", "ac_l3_v", "ac_l12_v", "ac_l23_v", "ac_l31_v", "frequency_hz",
    "load_kw", "mains_v", "running", "speed_rpm", "oil_pressure_kpa",
)  # fmt: skip
"""What is looked at, besides the channels of the running signal."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Day:
    """What a day gives to judge.

    series: plausible values. runs: [start, end) of those that reach into the day, rising, with the
    temperature at their start [degC] where known. parts: of the running signal. signs: moments of
    cranks and starts. over_voltage: moments at which the device said so. Gaps in seconds.
    heard: times of all messages of an on-change device, whose values hold from one to the next;
    volts on a standing set and dangers are told by real readings only.
    """

    plate: Plate
    series: Mapping[str, Series]
    runs: Sequence[tuple[int, int]]
    temps_c: Sequence[float | None]
    parts: Sequence[SignalChannel]
    signs: Sequence[int]
    over_voltage: Sequence[int]
    standing_s: int
    running_s: int
    heard: Ints | None = None


@dataclass(slots=True)
class _Delays:
    """The open delays of the day so far, and those that ended."""

    open: dict[str, Delay]
    ended: list[OutSpell]

    def walk(self, kind: Trouble, t: Ints, v: Floats, limits: out.Limits) -> None:
        good = np.isfinite(v)
        if not good.all():
            t, v = t[good], v[good]
        after, ended = out.walk(kind, t, v, limits, self.open.get(kind))
        self.ended.extend(ended)
        self.open.pop(kind, None)
        if after is not None:
            self.open[kind] = after


def watch(day: Day, before: SupplyCarry) -> tuple[SupplyDay | None, SupplyCarry]:
    """(what the day says, or None; the open state). The order of delivery does not matter."""
    channel, volts = settled.volts_of(day.plate, dict(day.series))
    hertz = _hertz(day)
    if not (len(volts) or len(hertz) or day.over_voltage or _circuits(day)):
        return None, before
    delays = _Delays(dict(before.delays), [])
    turning = standing.turning(
        volts.t, day.series, day.parts, day.standing_s, day.running_s, day.heard is not None
    )
    early = None
    several = _dead_circuit(day, delays) if day.runs else None
    found = _runs(day, volts, hertz, turning, several, delays) if day.runs else ()
    if day.runs:
        early = _together(day, [settled.SETTLE_S] * len(day.runs), held=False)
        if early is not None:
            apart = circuits.open_neutral(day.plate, early)
            delays.walk("open_neutral", apart.t, apart.v, out.over(1.0, on_s=0))
    if day.runs or day.over_voltage:
        _over_voltage(day, volts, early, delays)
    _without_run(day, volts, turning, several, delays)
    live = volts.v >= UNTOLD_SHARE * day.plate.nominal_v
    untold = not turning.told and bool(live.any())
    carry = SupplyCarry(delays=dict(sorted(delays.open.items())))
    if not found and not delays.ended and not untold:
        return None, carry
    ended = tuple(sorted(delays.ended, key=lambda s: (s.since, s.kind)))
    return SupplyDay(channel=channel, points=found, ended=ended, untold=untold), carry


def _hertz(day: Day) -> Series:
    """The hertz that are a governor's: an inverter's are electronics."""
    if day.plate.inverter:
        return no_series()
    return day.series.get("frequency_hz") or no_series()


def _circuits(day: Day) -> dict[str, Series]:
    return {name: s for name, s in day.series.items() if name.startswith("ac_") and len(s)}


def _told(at: int, before: Delay | None) -> Delay:
    """A device's own word needs no second sample; a newer one keeps the older beginning."""
    if before is None:
        return Delay(since=at, met_at=at, last_at=at)
    return msgspec.structs.replace(
        before, met_at=at if before.met_at is None else before.met_at,
        last_at=max(at, before.last_at), back_at=None, back_n=0,
    )  # fmt: skip


def _runs(
    day: Day,
    volts: Series,
    hertz: Series,
    turning: standing.Turning,
    several: circuits.Together | None,
    delays: _Delays,
) -> tuple[RunPoint, ...]:
    """Settled samples at governed speed: delays walked, and a point for each run.

    several: the circuits of a set with more than one.
    """
    plate = day.plate
    settle = [settled.settle_s(plate, temp) for temp in day.temps_c]
    load = day.series.get("load_kw") or no_series()
    stands = Series(volts.t, turning.stands.astype(np.float64))
    if day.heard is not None:
        volts, hertz = (_held(one, day.heard) for one in (volts, hertz))
    by_volts = _looked(day, volts, settle, volts, hertz, load, stands)
    if np.array_equal(volts.t, hertz.t):
        by_hertz = by_volts._replace(value=by_volts.hertz)
    else:
        by_hertz = _looked(day, hertz, settle, volts, hertz, load, stands)
    if not len(by_volts.run) and not len(by_hertz.run) and several is None:
        return ()
    band_v, band_h = bands.volts_band(plate), bands.hertz_band(plate)
    delays.walk("volts", by_volts.t, by_volts.value, out.of_band(band_v))
    delays.walk("hertz", by_hertz.t, by_hertz.value, out.of_band(band_h))
    lines_t, lines_pct = legs.line_unbalance(day.series) if plate.phases == "3" else _nothing()
    line_run = settled.in_runs(lines_t, day.runs, settle)
    made = []
    for number, (start, _) in enumerate(day.runs):
        one = _point(plate, start, by_volts, by_hertz, number)
        there = circuits.of_run(several, number) if several is not None else ()
        if there:
            one = msgspec.structs.replace(one or RunPoint(start=start), circuits=there)
        if one is None:
            continue
        lines = lines_pct[line_run == number]
        if len(lines):
            pct = round(float(np.median(lines)), 3)
            one = msgspec.structs.replace(one, unbalance_pct=pct)
        made.append(one)
    return tuple(made)


def _held(one: Series, heard: Ints) -> Series:
    """The value in force at every message from the first reading on."""
    if not len(one):
        return one
    t = np.union1d(heard[heard >= one.t[0]], one.t)
    return Series(t, one.v[np.searchsorted(one.t, t, side="right") - 1])


class _Looked(NamedTuple):
    """Samples that count: run number, time, value, and what volts, hertz, load were then."""

    run: Ints
    t: Ints
    value: Floats
    volts: Floats
    hertz: Floats
    load: Floats


def _looked(
    day: Day,
    one: Series,
    settle: Sequence[int],
    volts: Series,
    hertz: Series,
    load: Series,
    stands: Series,
) -> _Looked:
    """The settled samples of a series at governed speed, on a live circuit of a turning engine."""
    plate, fresh = day.plate, day.running_s
    run = settled.in_runs(one.t, day.runs, settle)
    keep = np.flatnonzero(run >= 0)
    t = one.t[keep]
    v = settled.at_or_before(volts, t, fresh)
    h = settled.at_or_before(hertz, t, fresh)
    kw = settled.at_or_before(load, t, fresh)
    good = ~(v < DEAD_SHARE * plate.nominal_v)
    if plate.idle_down:
        good &= settled.governed(plate, v, h, kw)
    if stands.v.any():
        good &= settled.at_or_before(stands, t, fresh) != 1.0
    if not len(volts) and _circuits(day):
        good[:] = False
    if good.all():
        return _Looked(run[keep], t, one.v[keep], v, h, kw)
    return _Looked(run[keep][good], t[good], one.v[keep][good], v[good], h[good], kw[good])


def _point(
    plate: Plate, start: int, by_volts: _Looked, by_hertz: _Looked, number: int
) -> RunPoint | None:
    """One point of the run's volts and hertz, each with the load in force then."""
    a, b = by_volts.run == number, by_hertz.run == number
    of_volts = points.of_volts(start, by_volts.value[a], by_volts.load[a], plate.rated_kw)
    return points.with_hertz(of_volts, by_hertz.value[b], by_hertz.load[b], plate.rated_kw)


def _nothing() -> tuple[Ints, Floats]:
    return np.empty(0, np.int64), np.empty(0, np.float64)


def _together(day: Day, settle: Sequence[int], *, held: bool) -> circuits.Together | None:
    """The circuits of a set with several, in its runs. held: an on-change device's values go on."""
    series = _circuits(day)
    if held and day.heard is not None:
        series = {name: _held(one, day.heard) for name, one in series.items()}
    return circuits.together(day.plate, series, day.runs, settle, day.running_s)


def _dead_circuit(day: Day, delays: _Delays) -> circuits.Together | None:
    """A circuit far under its nominal while another gives volts, by settled samples."""
    settle = [settled.settle_s(day.plate, temp) for temp in day.temps_c]
    found = _together(day, settle, held=True)
    if found is None:
        return None
    load = day.series.get("load_kw") or no_series()
    found = circuits.governed(day.plate, found, _hertz(day), load, day.running_s)
    low = circuits.lowest(found)
    limits = out.Limits(circuits.LOW_SHARE, np.inf, circuits.LOW_SHARE * CIRCUIT_CLEAR, np.inf)
    delays.walk("circuit", low.t, low.v, limits)
    return found


def _over_voltage(
    day: Day, volts: Series, several: circuits.Together | None, delays: _Delays
) -> None:
    """The highest circuit from 30 s after the start on, and the device's own word at its time."""
    run = settled.in_runs(volts.t, day.runs, [settled.SETTLE_S] * len(day.runs)) >= 0
    highest = Series(volts.t[run], volts.v[run] / day.plate.nominal_v)
    if several is not None:
        highest = _higher(highest, Series(several.t, several.highest))
    t, share = highest.t, highest.v
    limits = out.over(circuits.HIGH_SHARE, on_s=0)
    for at in sorted(day.over_voltage):
        before = t < at
        delays.walk("over_voltage", t[before], share[before], limits)
        delays.open["over_voltage"] = _told(at, delays.open.get("over_voltage"))
        t, share = t[~before], share[~before]
    delays.walk("over_voltage", t, share, limits)


def _higher(one: Series, two: Series) -> Series:
    """The higher of two series at each time of either."""
    t, v = np.concatenate([one.t, two.t]), np.concatenate([one.v, two.v])
    order = np.lexsort((v, t))
    t, v = t[order], v[order]
    last = np.append(t[1:] != t[:-1], True) if len(t) else np.zeros(0, np.bool_)
    return Series(t[last], v[last])


def _without_run(
    day: Day,
    volts: Series,
    turning: standing.Turning,
    several: circuits.Together | None,
    delays: _Delays,
) -> None:
    """Volts on a standing set, stray volts, and an engine that turns without output.

    A charging output alone does not tell that the engine stands while the mains is off: it may have
    failed, and the volts are then the set's.
    """
    if not turning.told or not len(volts):
        return
    plate = day.plate
    share = volts.v / plate.nominal_v
    live = share >= STRAY_SHARE
    mains = settled.at_or_before(day.series.get("mains_v") or no_series(), volts.t, day.standing_s)
    stands = turning.surely | (turning.stands & ~(mains < STANDING_SHARE * plate.nominal_v))
    stands &= ~standing.after_a_crank(volts.t, live, day.signs)
    t, there = volts.t[stands], share[stands]
    delays.walk("standing", t, there, out.over(STANDING_SHARE))
    delays.walk("stray", t, there, out.over(STRAY_SHARE))
    turns = turning.turns
    if not turns.any() and "no_output" not in delays.open:
        return
    began = turns & ~np.concatenate(([False], turns[:-1]))
    since = volts.t[began][np.cumsum(began)[turns] - 1] if turns.any() else volts.t[turns]
    if several is not None:
        highest = Series(several.t, several.highest)
        share = np.fmax(share, settled.at_or_before(highest, volts.t, day.running_s))
    t, there = volts.t[turns], share[turns]
    ready = t - since >= settled.settle_s(plate, None)
    limits = out.Limits(DEAD_SHARE, np.inf, DEAD_SHARE * 1.02, np.inf)
    delays.walk("no_output", t[ready], there[ready], limits)
