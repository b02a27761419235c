"""Engine hours: what the hour meter gained, and what it did that a meter does not do.

The rise of the running maximum of accepted readings, within epochs (ENGINEERING 3). Totals are
never kept here: a day holds rises, and whoever needs a total adds them to a person's anchor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import HoursRise, MeterEvent

TEN_FROM, TWO_FROM = 3, 10
"""Meters roll over at 10^n hours from 1,000 on and at 2^n from 1,024 on. No meter is smaller."""
GRAINS_H = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01)
"""Steps in which hour meters count (common practice, no source)."""
MOST_EXPONENT_TEN, MOST_EXPONENT_TWO = 6, 24


class MeterRules(msgspec.Struct, frozen=True, kw_only=True):
    """How an hour meter is judged (ENGINEERING 3; common practice, no source).

    confirm_n, confirm_s: a changed level is believed after so many readings or seconds.
    resolution_h: taken for a meter not yet read, never above coarsest or below finest.
    """

    confirm_n: int = 3
    confirm_s: int = 600
    resolution_h: float = 0.1
    finest_h: float = 0.01
    coarsest_h: float = 1.0
    near: float = 0.01

    def __post_init__(self) -> None:
        if self.confirm_n < 2 or self.confirm_s <= 0:
            raise ValueError("one reading cannot confirm itself")
        if not 0 < self.finest_h <= self.resolution_h <= self.coarsest_h:
            raise ValueError("resolutions must rise: finest, assumed, coarsest, all above 0 h")
        if not 0 < self.near < 0.5:
            raise ValueError("`near` is a share of the limit between 0 and 0.5")


RULES = MeterRules()


class MeterCarry(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Open state: the running maximum [h], the last accepted reading's time, readings in doubt.

    excess_s: by how much the rise has run ahead of the clock, at most two resolutions.
    """

    max_h: float | None = None
    at: int | None = None
    excess_s: float = 0.0
    resolution_h: float | None = None
    doubted: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True)
class MeterDay:
    """Rises (cut at anchors and epochs), events, accepted points t [s] and h [h gained], carry."""

    rises: tuple[HoursRise, ...]
    events: tuple[MeterEvent, ...]
    t: NDArray[np.int64]
    h: NDArray[np.float64]
    resolution_h: float
    carry: MeterCarry


@dataclass(slots=True)
class _State:
    rules: MeterRules
    digits: int | None
    resolution: float
    max_h: float | None
    at: int
    excess_h: float
    gained: float = 0.0
    doubted: list[tuple[int, float]] = field(default_factory=list)
    t: list[int] = field(default_factory=list)
    h: list[float] = field(default_factory=list)
    breaks: list[int] = field(default_factory=list)
    events: list[MeterEvent] = field(default_factory=list)


def rise(
    t: NDArray[np.int64],
    v: NDArray[np.float64],
    carry: MeterCarry,
    *,
    anchors: Sequence[int] = (),
    cuts: Sequence[int] = (),
    digits: int | None = None,
    rules: MeterRules = RULES,
) -> MeterDay:
    """Hours gained by one day's meter readings (t UTC s rising, v [h], plausible ones only).

    A rise above elapsed time + two resolutions is refused. Within that, what runs ahead of the
    clock adds up to two resolutions at most and the rest is not counted, so the hours of any
    stretch never exceed its length + two resolutions. A fall of more than two resolutions stays
    in doubt until three readings or 10 min confirm it: recovered is a spike; else a roll-over
    (from within 1 % of a power of ten or two, or of the unit's digits, when the missing hours
    fit into the elapsed time) goes on counting, or a reset begins a new epoch, counted from its
    first reading on. A jump ahead that stays is a reset as well.

    anchors: moments of people's own readings; rises are cut there, shared out by time.
    cuts: moments at which another device began to speak: a new epoch without an event.
    """
    resolution = _resolution(v, carry.resolution_h, rules)
    state = _State(
        rules,
        digits,
        resolution,
        carry.max_h,
        carry.at or 0,
        carry.excess_s / 3600,
        doubted=list(carry.doubted),
    )
    if carry.max_h is not None:
        state.t.append(state.at)
        state.h.append(0.0)
    if cuts or state.doubted or not _plain(state, t, v):
        waiting = sorted(cuts)
        for at, value in zip(t.tolist(), v.tolist(), strict=True):
            if waiting and at >= waiting[0]:
                waiting = [cut for cut in waiting if cut > at]
                state.max_h, state.doubted = None, []
            _take(state, at, value)
    points_t = np.array(state.t, np.int64)
    points_h = np.array(state.h, np.float64)
    learned = carry.resolution_h is not None or len(v) > 0
    return MeterDay(
        _segments(points_t, points_h, state.breaks, anchors),
        tuple(state.events),
        points_t,
        points_h,
        resolution,
        MeterCarry(
            max_h=state.max_h,
            at=state.at if state.max_h is not None else None,
            excess_s=round(state.excess_h * 3600, 3),
            resolution_h=resolution if learned else None,
            doubted=tuple(state.doubted),
        ),
    )


def _resolution(v: NDArray[np.float64], known: float | None, rules: MeterRules) -> float:
    """The smallest step seen up to now [h].

    Until one is seen, the coarsest of GRAINS_H that all values are multiples of: a meter that
    says 749 may count whole hours, one that says 749.3 counts tenths.
    """
    if len(v) == 0:
        return rules.resolution_h if known is None else known
    seen = np.unique(np.round(v, 3))
    best = rules.coarsest_h if known is None else known
    fit = (g for g in GRAINS_H if g <= best and np.all(abs(seen / g - np.round(seen / g)) < 1e-3))
    grain = next(fit, rules.finest_h)
    steps = np.diff(seen)
    if len(steps):
        grain = min(grain, round(float(steps.min()), 3))
    return max(rules.finest_h, min(best, grain))


def _plain(s: _State, t: NDArray[np.int64], v: NDArray[np.float64]) -> bool:
    """Take a day on which the meter did nothing odd, at once. False: take it one by one."""
    if len(t) == 0:
        return True
    base = float(v[0]) if s.max_h is None else s.max_h
    top = np.maximum.accumulate(np.maximum(v, base))
    slack = 2 * s.resolution + 1e-9
    if np.any(top - v > slack):
        return False
    first = t[0] if s.max_h is None else s.at
    ahead = np.diff(top, prepend=base) - np.diff(t, prepend=first) / 3600
    if ahead.max() > slack:
        return False
    total = np.cumsum(ahead) + s.excess_h
    excess = total - np.minimum(0.0, np.minimum.accumulate(total))
    if excess.max() > slack:
        return False
    s.t.extend(t.tolist())
    s.h.extend((top - base).tolist())
    s.max_h, s.at = float(top[-1]), int(t[-1])
    s.gained, s.excess_h = float(top[-1] - base), float(excess[-1])
    return True


def _take(s: _State, at: int, value: float) -> None:
    if s.max_h is None:
        _new_epoch(s, at, value)
        return
    slack = 2 * s.resolution + 1e-9
    low = value < s.max_h - slack
    if s.doubted:
        first = s.doubted[0][1]
        stays = low if first < s.max_h else value >= first - slack
        if stays:
            s.doubted.append((at, value))
            long = at - s.doubted[0][0] >= s.rules.confirm_s
            if len(s.doubted) >= s.rules.confirm_n or long:
                _confirm(s)
            return
        _recover(s)
    allowed = (at - s.at) / 3600 + slack
    if low:
        s.doubted.append((at, value))
    elif value - s.max_h > allowed:
        s.doubted.append((at, value))
        s.events.append(
            MeterEvent(
                at=at,
                kind="refused",
                before_h=s.max_h,
                after_h=value,
                reason=f"rose by {value - s.max_h:.2f} h in {(at - s.at) / 3600:.2f} h",
            )
        )
    else:
        _accept(s, at, max(0.0, value - s.max_h))
        s.max_h = max(s.max_h, value)


def _accept(s: _State, at: int, step_h: float) -> None:
    """Count a rise; what would run ahead of the clock by over two resolutions is left out."""
    ahead = s.excess_h + step_h - (at - s.at) / 3600
    over = max(0.0, ahead - 2 * s.resolution)
    s.excess_h = max(0.0, ahead - over)
    s.gained += max(0.0, step_h - over)
    s.at = at
    s.t.append(at)
    s.h.append(s.gained)


def _new_epoch(s: _State, at: int, value: float) -> None:
    s.breaks.append(len(s.t))
    s.max_h, s.at, s.excess_h = value, at, 0.0
    s.t.append(at)
    s.h.append(s.gained)


def _recover(s: _State) -> None:
    """The readings in doubt were a spike (a jump ahead was refused when it came)."""
    assert s.max_h is not None
    at, value = s.doubted[0]
    if value < s.max_h:
        n = len(s.doubted)
        reason = f"low for {n} reading{'s' if n > 1 else ''}, then back"
        s.events.append(
            MeterEvent(at=at, kind="spike", before_h=s.max_h, after_h=value, reason=reason)
        )
    s.doubted = []


def _confirm(s: _State) -> None:
    """The new level stays: a roll-over or a reset; then its readings are taken in turn."""
    assert s.max_h is not None
    (at, value), *rest = s.doubted
    s.doubted = []
    before = s.max_h
    limit = _limit(s, at, value) if value < before else None
    if limit is not None:
        _accept(s, at, limit - before + value)
        s.max_h = value
        kind, reason = "roll_over", f"went past {limit:g} h"
    else:
        _new_epoch(s, at, value)
        kind, reason = "reset", "fell and stayed" if value < before else "jumped ahead and stayed"
    s.events.append(
        MeterEvent(at=at, kind=kind, before_h=before, after_h=value, reason=reason)  # type: ignore[arg-type]
    )
    for later, reading in rest:
        _take(s, later, reading)


def _limit(s: _State, at: int, value: float) -> float | None:
    """The count at which this meter rolls over, if that explains the fall."""
    assert s.max_h is not None
    limits = [10.0**n for n in range(TEN_FROM, MOST_EXPONENT_TEN + 1)]
    limits += [2.0**n for n in range(TWO_FROM, MOST_EXPONENT_TWO + 1)]
    if s.digits is not None:
        limits.insert(0, 10.0**s.digits)
    possible = (at - s.at) / 3600 + 2 * s.resolution + 1e-9
    for limit in limits:
        if (1 - s.rules.near) * limit <= s.max_h < limit and limit - s.max_h + value <= possible:
            return limit
    return None


def _segments(
    t: NDArray[np.int64], h: NDArray[np.float64], breaks: Sequence[int], anchors: Sequence[int]
) -> tuple[HoursRise, ...]:
    """Rises between the first and last accepted reading of each epoch, cut at the anchors."""
    rises: list[HoursRise] = []
    edges = [0, *(b for b in breaks if b), len(t)]
    for a, b in pairwise(edges):
        if b - a < 2:
            continue
        first, last = int(t[a]), int(t[b - 1])
        inside = sorted({at for at in anchors if first < at < last})
        at = [first, *inside, last]
        level = np.interp(at, t[a:b], h[a:b])
        for k in range(len(at) - 1):
            gained = round(float(level[k + 1] - level[k]), 6)
            rises.append(HoursRise(from_at=at[k], to_at=at[k + 1], hours_h=gained))
    return tuple(rises)


def risen_while(
    t: NDArray[np.int64], h: NDArray[np.float64], busy: Sequence[tuple[int, int]], longest_s: int
) -> tuple[float, int]:
    """(hours gained, seconds watched) over intervals between accepted readings free of `busy`.

    busy: stretches in which the engine ran or may have run, or was not seen. Only intervals of
    at most longest_s count. A meter that counts with the key on gains about as many hours here
    as it was watched; one that counts running gains none.
    """
    if len(t) < 2:
        return 0.0, 0
    step = np.diff(t)
    free = step <= longest_s
    for start, end in busy:
        free &= (t[1:] <= start) | (t[:-1] >= end)
    return round(float(np.diff(h)[free].sum()), 6), int(step[free].sum())
