"""One point a run: medians of its settled samples, how its hertz spread, how load moves them."""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from scheduler.rules.supply.supply_record import RunPoint

WIDTH_LEAST = 8
"""A spread of fewer hertz is not told. Common practice, no source."""
SLOPE_LEAST = 10
SLOPE_LOAD_SHARE = 0.15
"""A run tells how load moves volts and hertz from 10 samples on, over 15 % of the rated power.
Common practice, no source."""
MEASURED_SHARE = 0.8
"""Of the samples of a run so many must come with a load, or it is not taken out. Common practice,
no source."""
TO_SIGMA = 1.4826 / 2**0.5
"""From the median step between samples to a deviation, were they normal: 1.4826 x the median of
|x|, and a step of two has root 2 of it. Arithmetic."""
SINE_WIDTH = 2 * 2**0.5
"""From the deviation of a swing to its full width: a sine of amplitude a has a deviation of a/root
2. Arithmetic."""

Floats = NDArray[np.float64]


def of_volts(start: int, volts: Floats, load_kw: Floats, rated_kw: float | None) -> RunPoint:
    """The point of a run with its volts: the medians, and what load did to them inside the run.

    start: of the run [UTC s]; volts [V], load_kw: arrays of one length, NaN where not read.

    Gives: a record in volts [V] and kilowatts [kW]. Arithmetic.
    """
    v, loads = _read(volts), _read(load_kw)
    return RunPoint(
        start=start,
        volts_n=len(v),
        volts=round(_middle(v), 2) if len(v) else None,
        load_kw=round(_middle(loads), 2) if len(loads) else None,
        volts_slope=_slope(volts, load_kw, rated_kw),
    )


def with_hertz(
    of_run: RunPoint, hertz: Floats, load_kw: Floats, rated_kw: float | None
) -> RunPoint | None:
    """The point with its hertz [Hz]: median, width, slope; None where the run has neither.

    Gives: a record in hertz [Hz]. Common practice, no source.
    """
    h = _read(hertz)
    if len(h) == 0:
        return of_run if of_run.volts_n else None
    slope = _slope(hertz, load_kw, rated_kw)
    loads = _read(load_kw) if of_run.load_kw is None else None
    return msgspec.structs.replace(
        of_run,
        hertz_n=len(h),
        hertz=round(_middle(h), 3),
        hertz_width=_width(hertz, load_kw, slope),
        hertz_slope=slope,
        load_kw=of_run.load_kw if loads is None or not len(loads) else round(_middle(loads), 2),
    )


def _read(values: Floats) -> Floats:
    good = np.isfinite(values)
    return values if good.all() else values[good]


def _middle(values: Floats) -> float:
    ordered = np.sort(values)
    n = len(ordered)
    return float(ordered[n // 2] + ordered[(n - 1) // 2]) / 2


def _slope(values: Floats, load_kw: Floats, rated_kw: float | None) -> float | None:
    """Change of a value per kW inside the run, by least squares; None where the load stood still."""
    if not rated_kw or len(values) < SLOPE_LEAST:
        return None
    good = np.isfinite(values) & np.isfinite(load_kw)
    x, y = load_kw[good], values[good]
    if len(x) < SLOPE_LEAST:
        return None
    ordered = np.sort(x)
    edge = len(x) // 10
    if ordered[-1 - edge] - ordered[edge] < SLOPE_LOAD_SHARE * rated_kw:
        return None
    x = x - x.mean()
    return round(float((x * y).sum() / (x * x).sum()), 5)


def _width(hertz: Floats, load_kw: Floats, slope: float | None) -> float | None:
    """How far the hertz swing inside a run [Hz], the 5 % at either end left out.

    With the load measured, its part is taken out (a load that stood still has none). Else the
    smaller of the spread and the width a swing would have whose samples step as these do: a load
    that steps now and then moves the first, and hardly the second.
    """
    good = np.isfinite(hertz)
    n = np.count_nonzero(good)
    if n < WIDTH_LEAST:
        return None
    h, load = hertz[good], load_kw[good]
    known = np.isfinite(load)
    measured = np.count_nonzero(known) >= MEASURED_SHARE * n
    if slope is not None:
        h = h - slope * np.where(known, load, load[known].mean())
    ordered = np.sort(h)
    edge = n // 20
    spread = float(ordered[-1 - edge] - ordered[edge])
    if measured:
        return round(spread, 3)
    steps = np.sort(np.abs(np.diff(h)))
    return round(min(spread, SINE_WIDTH * TO_SIGMA * _middle(steps)), 3)


def unbalance_pct(one: Floats, two: Floats, three: Floats) -> Floats:
    """Unbalance of three line-to-line voltages (one, two, three) [%]: 100 max|V - mean| / mean.

    Not the ratio of sequence components of the IEC, and not for line to neutral.

    Gives: [%]. Source: NEMA MG 1 (definition of voltage unbalance), secondary source.
    """
    mean = (one + two + three) / 3
    most = np.maximum(np.maximum(np.abs(one - mean), np.abs(two - mean)), np.abs(three - mean))
    return 100 * most / mean
