"""Whether volts or hertz move away from what they were as commissioned, and when they leave.

A point a run. Like is compared with like: on the residual from the unit's own droop line where the
load is measured, so that a heavier customer is not a failing governor; else no load with no load.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf, isfinite
from statistics import median
from typing import Literal

import numpy as np

from fleet.calendar import DAY_S
from scheduler.rules import trend
from scheduler.rules.supply.supply_record import Band, Drift
from scheduler.rules.trend import EwmaChart, Slope, Tendency

LEAST = 8
"""Like runs as commissioned, and so the fewest with which anything is said
(docs/engineering/supply.md#drift). Common practice, no source."""
NEWEST = 120
"""Newest runs that a slope is taken of. Common practice, no source."""
SLOPES_LEAST = 3
NEAR_S = 45 * 86_400
APART_SHARE = 0.10
PAIRS_LEAST = 5
"""The droop line: median of at least 3 slopes seen inside runs, else of at least 5 pairs of runs
within 45 days whose loads lie 10 % of the rated power apart. Common practice, no source."""
LIKE_SHARE = 0.05
"""Like load: within 5 % of the rated power of the as-commissioned runs. Common practice, no
source."""
FLOOR = {"volts": 0.0025, "hertz": 0.0015}
"""The spread of single runs is never taken to be under this share of nominal: an instrument's step
and warmth move readings by as much. Common practice, no source."""
CHANCE = 0.001
"""Mann-Kendall: a drift is told only if chance alone would show it this seldom. Common practice, no
source."""
MOVED_SHARE = 0.25
"""A drift is told from a quarter of the way to the limit on. Common practice, no source."""
MONTH_D = 30
"""Slopes are told by the month of 30 days. Definition."""

By = Literal["droop line", "no load", "like load", "runs without an outage"]


@dataclass(frozen=True, slots=True)
class Point:
    """One run: start [UTC s], median, load [kW, None: not measured], slope with load inside it.

    segment: counts up with each change of calibration, device or governing part. outage: it ran
    because the mains was off.
    """

    start: int
    value: float
    load_kw: float | None = None
    slope: float | None = None
    segment: int = 0
    outage: bool = False


@dataclass(frozen=True, slots=True)
class Like:
    """Runs that may be compared, with what is compared of each. line: units of value per kW."""

    points: tuple[Point, ...]
    values: tuple[float, ...]
    by: By
    line: float = 0.0


def alike(points: Sequence[Point], rated_kw: float | None, no_load_kw: float) -> Like:
    """The runs that may be compared with each other, in order of time.

    Where the load is measured in four of five runs: all of them on the droop line, if one is known;
    else those without load if there are eight; else those whose load is like the first ones'.
    Without a measured load: runs that no outage asked for.

    Gives: a record in volts [V] or hertz [Hz]. Common practice, no source.
    """
    ordered = sorted(points, key=lambda p: p.start)
    loaded = [p for p in ordered if p.load_kw is not None]
    if len(loaded) < 0.8 * len(ordered) or not loaded:
        kept = [p for p in ordered if not p.outage]
        return Like(tuple(kept), tuple(p.value for p in kept), "runs without an outage")
    line = droop_line(loaded, rated_kw)
    if line is not None:
        values = tuple(p.value - line * (p.load_kw or 0.0) for p in loaded)
        return Like(tuple(loaded), values, "droop line", line)
    idle = [p for p in loaded if (p.load_kw or 0.0) <= no_load_kw]
    if len(idle) >= LEAST or not rated_kw:
        return Like(tuple(idle), tuple(p.value for p in idle), "no load")
    usual = median(p.load_kw or 0.0 for p in loaded[:LEAST])
    near = [p for p in loaded if abs((p.load_kw or 0.0) - usual) <= LIKE_SHARE * rated_kw]
    return Like(tuple(near), tuple(p.value for p in near), "like load")


def droop_line(points: Sequence[Point], rated_kw: float | None) -> float | None:
    """How load moves the value [unit per kW], from the oldest runs that tell; None: not known.

    The median of at least three slopes seen inside runs; else of (value_j - value_i) / (load_j -
    load_i) over at least five pairs of runs within 45 days and one stretch whose loads lie 10 % of
    rated_kw apart.

    Gives: [V/kW, Hz/kW]. Common practice, no source.
    """
    seen = [p.slope for p in points if p.slope is not None][: 2 * LEAST]
    if len(seen) >= SLOPES_LEAST:
        return median(seen)
    if not rated_kw:
        return None
    pairs: list[float] = []
    for i, one in enumerate(points[: 5 * LEAST]):
        for two in points[i + 1 : i + 1 + 2 * LEAST]:
            apart = (two.load_kw or 0.0) - (one.load_kw or 0.0)
            same = one.segment == two.segment and two.start - one.start <= NEAR_S
            if same and abs(apart) >= APART_SHARE * rated_kw:
                pairs.append((two.value - one.value) / apart)
    return median(pairs) if len(pairs) >= PAIRS_LEAST else None


@lru_cache(maxsize=4096)
def drift(quantity: Literal["volts", "hertz"], like: Like, band: Band) -> tuple[Drift | None, str]:
    """(how it moved, "") or (None, why that cannot be said).

    The newest stretch between two changes of calibration, device or part is judged, from its own
    first eight runs on; the slope is taken of all stretches, no pair across one. EWMA chart after
    NIST/SEMATECH 6.3.2.4, slope after Theil and Sen, chance after Mann and Kendall.

    Gives: a record in volts [V] or hertz [Hz], or words. Source: EWMA: NIST/SEMATECH e-Handbook,
    6.3.2.4; Theil 1950, Sen 1968 and Mann-Kendall as in scheduler/rules/trend.py; thresholds common
    practice, no source.
    """
    segment = like.points[-1].segment if like.points else 0
    mine = [k for k, p in enumerate(like.points) if p.segment == segment]
    if len(mine) < LEAST + 1:
        return None, f"{len(mine)} of {LEAST + 1} like runs"
    first, rest = mine[:LEAST], mine[LEAST:]
    base = [like.values[k] for k in first]
    target = median(base)
    sigma = max(float(np.std(base, ddof=1)), FLOOR[quantity] * band.nominal)
    chart = trend.ewma([like.values[k] for k in rest], target, sigma)
    assert isinstance(chart, EwmaChart)
    kept = range(max(0, len(like.points) - NEWEST), len(like.points))
    days = [like.points[k].start / DAY_S for k in kept]
    values = [like.values[k] for k in kept]
    parts = [like.points[k].segment for k in kept]
    slope = trend.theil_sen(days, values, segments=parts)
    chance = trend.mann_kendall(values, segments=parts)
    if not isinstance(slope, Slope) or not isinstance(chance, Tendency):
        return None, "its runs cannot be compared"
    return _told(like, band, mine, target, chart, slope, chance), ""


def _told(
    like: Like,
    band: Band,
    mine: Sequence[int],
    target: float,
    chart: EwmaChart,
    slope: Slope,
    chance: Tendency,
) -> Drift:
    """The figures, and whether they are worth a person's time."""
    moved = chart.values[-1] - target
    up = moved > 0
    usual_kw = median((like.points[k].load_kw or 0.0) for k in mine[-LEAST:])
    level = chart.values[-1] + like.line * usual_kw
    limit = band.high if up else band.low
    way = limit - (target + like.line * usual_kw)
    share = moved / way if way * moved > 0 else (1.0 if moved else 0.0)
    gone = _since(chart, len(chart.values))
    with_it = (slope.low > 0) if up else (slope.high < 0)
    span_d = (like.points[mine[-1]].start - like.points[mine[0]].start) / DAY_S
    last = like.points[mine[-1]].start
    early, late = (slope.high, slope.low) if up else (slope.low, slope.high)
    return Drift(
        runs=len(mine),
        base=LEAST,
        from_at=like.points[mine[0]].start,
        to_at=last,
        moved=round(moved, 4),
        per_month=round(MONTH_D * slope.slope, 5),
        low=_month(slope.low),
        high=_month(slope.high),
        share=round(share, 3),
        by=like.by,
        found=bool(
            gone is not None and with_it and chance.p_two_sided < CHANCE and share >= MOVED_SHARE
        ),
        since=None if gone is None else like.points[mine[LEAST + gone]].start,
        crosses_from=_crossing(level, limit, early, last, span_d),
        crosses_at=_crossing(level, limit, slope.slope, last, span_d),
        crosses_to=_crossing(level, limit, late, last, span_d),
    )


def _since(chart: EwmaChart, n: int) -> int | None:
    """The first of the newest points that are all beyond the limits; None: the newest is not."""
    out = set(chart.out)
    k = n
    while k - 1 in out:
        k -= 1
    return k if k < n else None


def _month(slope: float) -> float | None:
    return round(MONTH_D * slope, 5) if isfinite(slope) else None


def _crossing(level: float, limit: float, per_day: float, last: int, span_d: float) -> int | None:
    """When the level meets the limit; None where it does not, or beyond twice the span seen."""
    if per_day in (inf, -inf, 0.0):
        return None
    days = (limit - level) / per_day
    if days < 0:
        return last if _past(level, limit, per_day) else None
    return last + round(days * DAY_S) if days <= 2 * span_d else None


def _past(level: float, limit: float, per_day: float) -> bool:
    """Already beyond the limit, in the direction it moves."""
    return level >= limit if per_day > 0 else level <= limit
