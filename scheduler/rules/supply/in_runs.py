"""The settled samples of each run: their bands walked, and a point for each run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from fleet.model import Series
from scheduler.rules.supply import bands, circuits, legs, out, points, settled, standing
from scheduler.rules.supply.day import Day, Delays, Floats, Ints, hold
from scheduler.rules.supply.settled import DEAD_SHARE
from scheduler.rules.supply.supply_record import Plate, RunPoint


def runs(
    day: Day,
    volts: Series,
    hertz: Series,
    turning: standing.Turning,
    several: circuits.CircuitVolts | None,
    delays: Delays,
) -> tuple[RunPoint, ...]:
    """Settled samples at governed speed: delays walked, and a point for each run.

    several: the circuits of a set with more than one.

    Gives: records in volts [V], hertz [Hz] and kilowatts [kW]. Common practice, no source.
    """
    plate = day.plate
    settle = [settled.settle_s(plate, temp) for temp in day.temps_c]
    load = day.load
    stands = Series(volts.t, turning.stands.astype(np.float64))
    if day.heard is not None:
        volts, hertz = (hold(one, day.heard) for one in (volts, hertz))
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
        there = circuits.of_run(several, start) if several is not None else ()
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
    if not len(volts) and day.circuits(filled_forward=False):
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
