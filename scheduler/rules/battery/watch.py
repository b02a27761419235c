"""One day of a starter battery: standing volts, rest, after a run, and limits exceeded."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import Series
from scheduler.rules.battery.battery_day import (
    AfterRun,
    BatteryCarry,
    BatteryDay,
    Count,
    Rest,
    WatchedBattery,
)
from scheduler.rules.battery.tables import CLEAR_V, LOW_V, OVER_V, over_limit_v, scale

SETTLED_S = 12 * 3600
"""A charger fault is not judged within 12 h after a run (docs/engineering/battery.md#on-charge).
Common practice, no source."""
UNDER_S, OVER_S = 24 * 3600, 12 * 3600
"""Under 13.0 V, over the over-charge limit, so long is met. Common practice, no source."""
LEAST_REST_S = 6 * 3600
"""The least rest that is kept; AGM and gel are told from 12 h on. Source: with the open-circuit
table, secondary source."""
CHARGE_RISE_V = 0.15
"""A rise by so much over the least seen that day is a charge, however low. Common practice, no
source: the air's warmth moves a resting battery by a tenth of a volt at most."""
AFTER_S = (3600, 6 * 3600)
"""After a run: from here to there, when the surface charge is gone and a loss shows. Common
practice, no source."""
LONG_RUN_S = 900
"""A run of less has charged nothing worth a look. Common practice, no source."""
IN_RUN_S = 120
"""The alternator's volts are looked at from here on. Common practice, no source."""
AIR_OLD_S = 3 * 3600
"""The air's warmth as last read so long ago still stands. Common practice, no source."""
CRANKS_KEPT = 24
"""Cranks of a day whose air is kept. Definition."""
SELDOM_S = 2 * 3600
"""Readings further apart are hours apart: one is enough to end a limit. Common practice, no
source."""
LAST_N = 5
"""Newest readings of a rest its volts are the median of. Common practice, no source."""

Times = NDArray[np.int64]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Day:
    """The readings per 12 V, and what went on at each."""

    t: Times
    v: Floats
    running: Mask
    since_run_s: Times
    off: Mask


def watch(day: WatchedBattery, before: BatteryCarry) -> tuple[BatteryDay | None, BatteryCarry]:
    """(what the day says, None without readings; the open state). The same day, the same answer.

    Of a standing set, 12 h after a run or later and the mains not off: least, median and highest
    volts and the share at 13.0 V or more; the longest rest; the median 1 to 6 h after a run of 15
    min or more; limits exceeded, with the seconds watched.

    Gives: a record in volts of the battery as it is [V]. Common practice, no source.
    """
    if day.afresh:
        before = BatteryCarry(ran_at=before.ran_at, ran_s=before.ran_s)
    ran_at, ran_s = _newest_run(day, before)
    if len(day.volts) == 0:
        return None, msgspec.structs.replace(before, ran_at=ran_at, ran_s=ran_s)
    by = scale(day.nominal_v)
    one = _put(day, day.volts.v / by, before)
    ok = ~one.running & (one.since_run_s >= SETTLED_S) & ~one.off
    t, v = (one.t, one.v) if ok.all() else (one.t[ok], one.v[ok])
    rest, quiet_at = _rest(day, one, before)
    said = BatteryDay(
        rest=_as_it_is(rest, by), after_run=_after(day, one, before, by), cranks=_air(day)
    )
    if len(t):
        high = int(v.argmax())
        said = msgspec.structs.replace(
            said,
            n=len(t),
            low_v=_volts(v.min(), by),
            mid_v=_volts(np.median(v), by),
            high_v=_volts(v[high], by),
            high_at=int(t[high]),
            lifted=round(float((v >= LOW_V).mean()), 3),
        )
    under = _count(t, v < LOW_V, v >= LOW_V + CLEAR_V, day.gap_s, UNDER_S, before.under)
    return said, BatteryCarry(
        ran_at=ran_at,
        ran_s=ran_s,
        at=int(one.t[-1]),
        quiet_at=quiet_at,
        under=under,
        over=_over(day, one, before),
    )


def _put(day: WatchedBattery, v: Floats, before: BatteryCarry) -> _Day:
    t = day.volts.t
    ended = -SETTLED_S if before.ran_at is None else before.ran_at
    if day.runs:
        start = np.array([a for a, _ in day.runs], np.int64)
        end = np.array([b for _, b in day.runs], np.int64)
        place = np.searchsorted(start, t, side="right") - 1
        safe = np.maximum(place, 0)
        running = (place >= 0) & (t < end[safe])
        since = t - np.where(place >= 0, end[safe], ended)
    else:
        running, since = np.zeros(len(t), np.bool_), t - ended
    return _Day(t, v, running, since, _off(day, t))


def _off(day: WatchedBattery, t: Times) -> Mask:
    """Where the mains was seen to be off."""
    if all(on for _, on in day.mains):
        return np.zeros(len(t), np.bool_)
    since = np.array([at for at, _ in day.mains], np.int64)
    place = np.searchsorted(since, t, side="right") - 1
    on = np.array([state for _, state in day.mains])
    off: Mask = (place >= 0) & ~on[np.maximum(place, 0)]
    return off


def _newest_run(day: WatchedBattery, before: BatteryCarry) -> tuple[int | None, int]:
    if not day.runs:
        return before.ran_at, before.ran_s
    start, end = max(day.runs, key=lambda run: run[1])
    if before.ran_at is not None and end < before.ran_at:
        return before.ran_at, before.ran_s
    return end, end - start


def _rest(day: WatchedBattery, one: _Day, before: BatteryCarry) -> tuple[Rest | None, int]:
    """(the longest rest of the day, per 12 V; the end of the newest charge, crank, run or gap)."""
    t, v = one.t, one.v
    busy = one.running | (v >= LOW_V)
    if busy.all():
        return None, int(t[-1])
    busy |= v > np.minimum.accumulate(v) + CHARGE_RISE_V
    silent = np.diff(t, prepend=t[0] if before.at is None else before.at) > day.gap_s
    busy |= silent
    moments = [*day.cranks, *(end for _, end in day.runs)]
    first = int(t[0]) if before.quiet_at is None else before.quiet_at
    ends = np.concatenate([t[busy], np.array([first, *moments], np.int64)])
    ends.sort()
    place = np.searchsorted(ends, t, side="right") - 1
    rested = np.where(place >= 0, t - ends[np.maximum(place, 0)], 0)
    k = len(t) - 1 - int(rested[::-1].argmax())
    quiet_at = int(ends[place[-1]]) if place[-1] >= 0 else int(t[-1])
    if rested[k] < LEAST_REST_S:
        return None, quiet_at
    last = v[max(0, k - LAST_N + 1) : k + 1][rested[max(0, k - LAST_N + 1) : k + 1] > 0]
    mains = -1 if not day.mains else 0 if one.off[k] else 1
    return Rest(
        at=int(t[k]), v=float(np.median(last)), rested_s=int(rested[k]), mains=mains
    ), quiet_at


def _as_it_is(rest: Rest | None, by: float) -> Rest | None:
    return None if rest is None else msgspec.structs.replace(rest, v=_volts(rest.v, by))


def _after(day: WatchedBattery, one: _Day, before: BatteryCarry, by: float) -> AfterRun | None:
    """Volts 1 to 6 h after the newest long run that ended early enough."""
    ended = [(b, b - a) for a, b in day.runs]
    if before.ran_at is not None:
        ended.append((before.ran_at, before.ran_s))
    for end, length in sorted(ended, reverse=True):
        if length < LONG_RUN_S or end + AFTER_S[0] > one.t[-1]:
            continue
        a, b = np.searchsorted(one.t, (end + AFTER_S[0], end + AFTER_S[1]))
        standing = one.v[a:b][~one.running[a:b]]
        if len(standing) < 2:
            return None
        a, b = np.searchsorted(one.t, (end - length + IN_RUN_S, end))
        in_run = one.v[a:b][one.running[a:b]]
        run_v = _volts(np.median(in_run), by) if len(in_run) else None
        return AfterRun(end=end, v=_volts(np.median(standing), by), run_v=run_v)
    return None


def _over(day: WatchedBattery, one: _Day, before: BatteryCarry) -> Count | None:
    """Above the compensated limit; the air's warmth as last read within 3 h.

    A run, or the mains off, does not end what a charger does: then only readings above count.
    """
    least = OVER_V - 1.0
    if before.over is None and one.v.max() < least:
        return None
    limit = over_limit_v(_in_force(day.air_c, one.t))
    beyond, clear = one.v > limit, one.v <= limit - CLEAR_V
    use = beyond | ~(one.running | one.off)
    return _count(one.t[use], beyond[use], clear[use], day.gap_s, OVER_S, before.over)


def _air(day: WatchedBattery) -> tuple[tuple[int, float], ...]:
    """The air at the day's cranks, which is the battery's own warmth; an engine may be heated."""
    if len(day.air_c) == 0 or not day.cranks:
        return ()
    at = np.unique(np.array(day.cranks, np.int64))[:CRANKS_KEPT]
    air = _in_force(day.air_c, at)
    return tuple((int(t), round(float(c), 1)) for t, c in zip(at, air, strict=True) if c == c)


def _in_force(series: Series, t: Times) -> Floats:
    if len(series) == 0:
        return np.full(len(t), np.nan)
    place = np.searchsorted(series.t, t, side="right") - 1
    safe = np.maximum(place, 0)
    return np.where((place >= 0) & (t - series.t[safe] <= AIR_OLD_S), series.v[safe], np.nan)


def _count(
    t: Times, beyond: Mask, clear: Mask, gap_s: int, hold_s: int, before: Count | None
) -> Count | None:
    """A limit exceeded at the end of the day, from the one before it.

    Until hold_s is met any reading within the limit ends it; from then on two readings in a row at
    or beyond the clear limit, or one where readings are hours apart. A silence counts for no longer than gap_s; readings left out of t (a
    run, the mains off) are a silence.
    """
    if len(t) == 0 or (before is None and not beyond.any()):
        return before
    seldom = gap_s > SELDOM_S
    spent = np.minimum(np.diff(t), gap_s).cumsum()
    spent = np.append(0, spent)
    found, k = before, 0
    base = 0 if before is None else before.s + min(int(t[0]) - before.at, gap_s)
    while k < len(t):
        if found is None:
            ahead = np.flatnonzero(beyond[k:])
            if len(ahead) == 0:
                return None
            k += int(ahead[0])
            found, base = Count(since=int(t[k]), at=int(t[k])), -int(spent[k])
        j = _broken(beyond, k)
        m = len(t) if base + spent[-1] < hold_s else int(np.searchsorted(spent, hold_s - base))
        if j is not None and j < m:
            found, k = None, _onward(t, beyond, j, hold_s)
            continue
        again = clear[m:] if seldom else clear[m:-1] & clear[m + 1 :]
        ended = np.flatnonzero(again)
        if len(ended) == 0:
            return Count(since=found.since, at=int(t[-1]), s=int(base + spent[-1]))
        found, k = None, m + int(ended[0]) + (1 if seldom else 2)
    return None


def _broken(beyond: Mask, k: int) -> int | None:
    """The first reading from k on that is within the limit."""
    within = np.flatnonzero(~beyond[k:])
    return k + int(within[0]) if len(within) else None


def _onward(t: Times, beyond: Mask, j: int, hold_s: int) -> int:
    """Where to look on from a reading within the limit: behind the last one, where the rest of the
    day is too short to meet the hold."""
    if t[-1] - t[j] >= hold_s:
        return j + 1
    return j + int(np.flatnonzero(~beyond[j:])[-1]) + 1


def _volts(value: float | np.floating, by: float) -> float:
    return round(float(value) * by, 3)
