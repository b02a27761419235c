"""The level in the tank: smoothed, so that slosh is not news; refills; how low, and since when.

The level at a moment is the middle (of two, the higher) of the newest five readings of the last
hour; it is kept as knots, one where it has risen by two points or fallen by half a point. Common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import Fuel

SMOOTHED = 5
SMOOTHED_S = 3600
"""The level is the middle of so many readings, none older than this. Common practice, no source."""
KNOT_PCT = 2.0
LOWER_PCT = 0.5
"""A knot is kept where the level rose, or fell, by so much. Common practice, no source."""
REFILL_PCT = 20.0
"""A rise of 20 points is a refill: what was before says nothing of how it falls now. Common
practice, no source."""
CLEAR_PCT = 2.0
"""Low until it has risen 2 points over the limit. Common practice, no source."""
PROPANE_PCT = (20.0, 80.0)
"""A propane tank is filled to 80 % and planned down to 20 % (NFPA 58, from memory)."""

Knot = tuple[int, float]
"""(at, level): UTC seconds, percent of the tank."""
Refill = tuple[int, float, float]
"""(at, level before, level after)."""


class FuelCarry(msgspec.Struct, frozen=True, kw_only=True, array_like=True):
    """The level as it stands: newest readings for the smoothing, the newest knot, its lowest."""

    recent: tuple[Knot, ...] = ()
    level: float | None = None
    at: int | None = None
    knot: float | None = None


class Usable(msgspec.Struct, frozen=True, kw_only=True):
    """What of a tank can be burnt: from full down to floor, in percent of the tank."""

    floor: float
    full: float

    def share(self, level: float) -> float:
        """The share of the usable fuel that is left, 0 to 1."""
        return min(1.0, max(0.0, (level - self.floor) / (self.full - self.floor)))

    def litres(self, level: float, tank_l: float) -> float:
        """Litres that can still be burnt."""
        return max(0.0, level - self.floor) / 100 * tank_l


def usable(fuel: Fuel | None) -> Usable:
    """Propane 80 to 20 %, all else 100 to 0.

    Gives: a record in percent of the tank [%]. Source: NFPA 58, from memory (propane); all else is
    arithmetic.
    """
    if fuel == "lpg":
        return Usable(floor=PROPANE_PCT[0], full=PROPANE_PCT[1])
    return Usable(floor=0.0, full=100.0)


def smooth(
    t: NDArray[np.int64], v: NDArray[np.float64], before: FuelCarry | None = None
) -> tuple[tuple[Knot, ...], FuelCarry]:
    """(knots of these readings, open state). The same readings give the same knots however they are
    cut.

    t: UTC seconds, rising; v: percent; before: the state before them. The level is the middle (of
    two, the higher) of the newest five readings of the last hour; a knot stands where it has risen
    by two points or fallen by half a point.

    Gives: knots, moments [UTC s] and levels [%]. Common practice, no source.
    """
    carry = before or FuelCarry()
    if len(t) == 0:
        return (), carry
    whole_t = np.concatenate([np.array([at for at, _ in carry.recent], np.int64), t])
    whole_v = np.concatenate([np.array([x for _, x in carry.recent], np.float64), v])
    level = _middle(whole_t, whole_v)[len(carry.recent) :]
    knots: list[Knot] = []
    held = carry.knot
    for at, value in zip(t.tolist(), level.tolist(), strict=True):
        if held is None or value <= held - LOWER_PCT or value >= held + KNOT_PCT:
            knots.append((at, value))
            held = value
    kept = range(max(0, len(whole_t) - SMOOTHED + 1), len(whole_t))
    return tuple(knots), FuelCarry(
        recent=tuple((int(whole_t[k]), float(whole_v[k])) for k in kept),
        level=float(level[-1]),
        at=int(t[-1]),
        knot=held,
    )


def _middle(t: NDArray[np.int64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """The middle of the newest five readings of the last hour, for each reading."""
    n = len(t)
    back = np.arange(n)[:, None] - np.arange(SMOOTHED)[None, :]
    inside = back >= 0
    inside[inside] &= (t[:, None] - t[np.maximum(back, 0)] < SMOOTHED_S)[inside]
    values = np.where(inside, v[np.maximum(back, 0)], np.inf)
    values.sort(axis=1)
    return np.asarray(values[np.arange(n), inside.sum(axis=1) // 2], np.float64)


def newest_refill(knots: Sequence[Knot]) -> Refill | None:
    """The newest rise of 20 points over the lowest level since the refill before; None: none.

    It is dated at the highest knot of the rise.

    Gives: a moment [UTC s] and two levels [%]. Common practice, no source.
    """
    found: Refill | None = None
    low: Knot | None = None
    for at, level in knots:
        rising = found is not None and low is not None and low[0] == found[0]
        if found is not None and low is not None and rising and level > low[1]:
            found, low = (at, found[1], level), (at, level)
        elif low is not None and level - low[1] >= REFILL_PCT:
            found, low = (at, low[1], level), (at, level)
        elif low is None or level < low[1]:
            low = (at, level)
    return found


def below_since(knots: Sequence[Knot], limit_pct: float) -> int | None:
    """Since when the level is at or under a limit [%]; None: it is not.

    It is over once the level stands 2 points above the limit.

    Gives: [UTC s]. Common practice, no source.
    """
    since: int | None = None
    for at, level in knots:
        if level <= limit_pct:
            since = at if since is None else since
        elif level > limit_pct + CLEAR_PCT:
            since = None
    return since
