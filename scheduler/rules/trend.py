"""Whether a quantity drifts, how fast, and whether a point has left its usual range.

Rank methods: one bad value moves nothing. Points may come in segments (before and after a new
calibration, a new battery): pairs across segments are never compared, so a step between segments
is no trend. Too few points are refused with a value, not an exception
(docs/engineering/reliability.md#trends).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import erfc, inf, sqrt

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

LEAST_POINTS = 4
"""Below four points no order of them has a chance under 5 %. Source: EPA QA/G-9S, small-sample
table."""
EXACT_AT_MOST = 10
"""Without ties the chance is counted exactly up to here. Source: EPA QA/G-9S."""

Floats = NDArray[np.float64]


class TooFew(msgspec.Struct, frozen=True, kw_only=True):
    """Refused: not enough points, or not enough that may be compared."""

    n: int
    least: int
    reason: str


class Slope(msgspec.Struct, frozen=True, kw_only=True):
    """Change of y per unit of x, with its interval. pairs: slopes the median was taken of.

    low or high infinite: the points are too few to bound that side at this confidence.
    """

    slope: float
    low: float
    high: float
    intercept: float
    confidence: float
    n: int
    pairs: int


class Tendency(msgspec.Struct, frozen=True, kw_only=True):
    """Mann-Kendall: s, its variance, z, chances under "no trend", tau-a (S over all pairs).

    p_rising: chance of an S as high or higher; p_two_sided: of one as far from 0.
    """

    s: int
    var_s: float
    z: float
    p_two_sided: float
    p_rising: float
    p_falling: float
    tau_a: float
    n: int
    exact: bool


class EwmaChart(msgspec.Struct, frozen=True, kw_only=True):
    """values: the average after each point; lower, upper: limits at each; out: points beyond."""

    values: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    out: tuple[int, ...]


class EwmaRules(msgspec.Struct, frozen=True, kw_only=True):
    """weight: lambda, of the newest point, 0 < weight <= 1; k: limits in sigmas, above 0.

    settled: the limits a long series comes to, as the handbook's example uses; else those of each
    point, which start narrower.
    """

    weight: float = 0.3
    k: float = 3.0
    settled: bool = True

    def __post_init__(self) -> None:
        if not 0 < self.weight <= 1:
            raise ValueError(f"weight must lie above 0 and not above 1, not {self.weight:g}")
        if not self.k > 0:
            raise ValueError(f"k must be above 0, not {self.k:g}")


def theil_sen(
    x: Sequence[float] | Floats,
    y: Sequence[float] | Floats,
    confidence: float = 0.95,
    segments: Sequence[int] | None = None,
    least: int = LEAST_POINTS,
) -> Slope | TooFew:
    """Median of the slopes of all pairs, with Gilbert's interval.

    slope = median((y_j - y_i) / (x_j - x_i)), x_i < x_j in one segment; intercept = median(y) -
    slope x median(x). Interval: C = z sqrt(Var S); the (N - C)/2-th and ((N + C)/2 + 1)-th of the N
    ranked slopes, between ranks by interpolation. x: any unit; y in the unit of the slope;
    confidence: two-sided; least: points below which it is refused.

    Gives: a record, y's unit per x's. Source: Theil 1950; Sen 1968; Gilbert 1987, 16.5, as in EPA
    530/R-09-007, example 17-7; segments: Hirsch, Slack, Smith 1982 (seasonal slope).
    """
    xs, ys, seg = _points(x, y, segments)
    if len(xs) < least:
        return TooFew(n=len(xs), least=least, reason=f"{len(xs)} points, {least} needed")
    i, j = _pairs(seg)
    run = xs[j] - xs[i]
    apart = run != 0
    if not apart.any():
        return TooFew(n=len(xs), least=least, reason="no two points that may be compared")
    slopes = np.sort((ys[j] - ys[i])[apart] / run[apart])
    slope = float(np.median(slopes))
    reach = float(ndtri((1 + confidence) / 2)) * sqrt(_variance(ys, seg))
    low = _ranked(slopes, (len(slopes) - reach) / 2)
    high = _ranked(slopes, (len(slopes) + reach) / 2 + 1)
    return Slope(
        slope=slope,
        low=low,
        high=high,
        intercept=float(np.median(ys)) - slope * float(np.median(xs)),
        confidence=confidence,
        n=len(xs),
        pairs=len(slopes),
    )


def mann_kendall(
    y: Sequence[float] | Floats,
    segments: Sequence[int] | None = None,
    least: int = LEAST_POINTS,
) -> Tendency | TooFew:
    """Whether y, in time order, tends to rise or fall.

    S = sum of sign(y_j - y_i), i < j, within segments; Var S = sum over segments of (n(n-1)(2n+5) -
    sum t(t-1)(2t+5)) / 18, t the sizes of groups of ties; Z = (S -+ 1)/sqrt(Var S). Up to 10 points
    in one segment without ties the chance is counted exactly. Points are taken as independent of
    each other; a season or temperature must be taken out before. least: points below which it is
    refused.

    Gives: a record of counts and chances [1]. Source: EPA QA/G-9S, boxes 4-4 to 4-7; segments:
    Hirsch, Slack, Smith 1982.
    """
    _, ys, seg = _points(np.arange(len(y), dtype=np.float64), y, segments)
    if len(ys) < least:
        return TooFew(n=len(ys), least=least, reason=f"{len(ys)} points, {least} needed")
    i, j = _pairs(seg)
    if len(i) == 0:
        return TooFew(n=len(ys), least=least, reason="no two points that may be compared")
    s = int(np.sign(ys[j] - ys[i]).sum())
    variance = _variance(ys, seg)
    z = 0.0 if variance == 0 or s == 0 else (s - np.sign(s)) / sqrt(variance)
    exact = len(ys) <= EXACT_AT_MOST and len(np.unique(ys)) == len(ys) and len(np.unique(seg)) == 1
    if exact:
        rising, falling = _chance_at_least(len(ys), s), _chance_at_least(len(ys), -s)
        both = min(1.0, 2 * min(rising, falling))
    else:
        rising, falling, both = _above(z), _above(-z), erfc(abs(z) / sqrt(2))
    return Tendency(
        s=s,
        var_s=variance,
        z=float(z),
        p_two_sided=both,
        p_rising=rising,
        p_falling=falling,
        tau_a=s / len(i),
        n=len(ys),
        exact=exact,
    )


def ewma(
    values: Sequence[float] | Floats, target: float, sigma: float, rules: EwmaRules | None = None
) -> EwmaChart | TooFew:
    """Exponentially weighted moving average against its limits.

    E_0 = target; E_t = w y_t + (1 - w) E_(t-1); limits target +- k sigma sqrt(w/(2 - w)), times
    sqrt(1 - (1 - w)^(2t)) where not settled. sigma: standard deviation of single points, in the
    unit of values, from points known good.

    Gives: a record in the unit of values. Source: NIST/SEMATECH e-Handbook of Statistical Methods,
    6.3.2.4.
    """
    rules = rules or EwmaRules()
    if len(values) == 0 or not sigma > 0:
        return TooFew(n=len(values), least=1, reason="no points, or no spread to compare with")
    w = rules.weight
    found: list[float] = []
    level = target
    for value in values:
        level = w * float(value) + (1 - w) * level
        found.append(level)
    step = np.arange(1, len(found) + 1)
    narrow = 1.0 if rules.settled else np.sqrt(1 - (1 - w) ** (2 * step))
    width = np.broadcast_to(rules.k * sigma * sqrt(w / (2 - w)) * narrow, len(found))
    at = np.array(found)
    return EwmaChart(
        values=tuple(found),
        lower=tuple((target - width).tolist()),
        upper=tuple((target + width).tolist()),
        out=tuple(np.flatnonzero(np.abs(at - target) > width).tolist()),
    )


def _points(
    x: Sequence[float] | Floats, y: Sequence[float] | Floats, segments: Sequence[int] | None
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Arrays of one length, finite points only."""
    xs, ys = np.asarray(x, np.float64), np.asarray(y, np.float64)
    seg = np.zeros(len(ys), np.int64) if segments is None else np.asarray(segments, np.int64)
    if not len(xs) == len(ys) == len(seg):
        raise ValueError(f"{len(xs)} x, {len(ys)} y and {len(seg)} segments: give one of each")
    good = np.isfinite(xs) & np.isfinite(ys)
    return xs[good], ys[good], seg[good]


def _pairs(seg: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    i, j = np.triu_indices(len(seg), 1)
    same = seg[i] == seg[j]
    return i[same], j[same]


def _variance(y: Floats, seg: NDArray[np.int64]) -> float:
    total = 0.0
    for part in np.unique(seg):
        mine = y[seg == part]
        n = len(mine)
        ties = np.unique(mine, return_counts=True)[1].astype(np.float64)
        total += n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())
    return total / 18


def _ranked(ordered: Floats, rank: float) -> float:
    """The value at a rank (1 = least), between ranks by interpolation; beyond them unbounded."""
    if rank < 1:
        return -inf
    if rank > len(ordered):
        return inf
    return float(np.interp(rank, np.arange(1, len(ordered) + 1), ordered))


def _above(z: float) -> float:
    return 0.5 * erfc(z / sqrt(2))


def _chance_at_least(n: int, s: int) -> float:
    """Share of the n! orders of n different values whose S is s or more (counted)."""
    ways = [1]
    for size in range(2, n + 1):
        longer = [0] * (len(ways) + size - 1)
        for inversions, count in enumerate(ways):
            for more in range(size):
                longer[inversions + more] += count
        ways = longer
    most = n * (n - 1) // 2
    return sum(ways[: (most - s) // 2 + 1]) / sum(ways)
