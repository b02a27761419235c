"""Hours gained by one day's readings of the meter."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fleet.hour_format import COUNTS_PER_H
from fleet.model import HourFormat, HoursRise, Series
from scheduler.rules.hours.epochs import State, take
from scheduler.rules.hours.format_evidence import FormatEvidence, observe
from scheduler.rules.hours.meter import RULES, MeterCarry, MeterDay, MeterRules


def risen_while(
    t: NDArray[np.int64], h: NDArray[np.float64], busy: Sequence[tuple[int, int]], longest_s: int
) -> tuple[float, int]:
    """(hours gained, seconds watched) over intervals between accepted readings (t, h) free of
    `busy`.

    busy: stretches in which the engine ran or may have run, or was not seen. Only intervals of at
    most longest_s count. A meter that counts with the key on gains about as many hours here as it
    was watched; one that counts running gains none.

    Gives: hours [h] and seconds [s]. Arithmetic.
    """
    if len(t) < 2:
        return 0.0, 0
    step = np.diff(t)
    free = step <= longest_s
    for start, end in busy:
        free &= (t[1:] <= start) | (t[:-1] >= end)
    return round(float(np.diff(h)[free].sum()), 6), int(step[free].sum())


GRAINS_H = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01)
"""Steps in which hour meters count (common practice, no source)."""


def rise(
    t: NDArray[np.int64],
    v: NDArray[np.float64],
    carry: MeterCarry,
    *,
    anchors: Sequence[int] = (),
    cuts: Sequence[int] = (),
    digits: int | None = None,
    declared: HourFormat | None = None,
    sent: Series | None = None,
    rules: MeterRules = RULES,
) -> MeterDay:
    """Hours gained by one day's meter readings (t UTC s rising, v [h], plausible ones only).

    A rise above elapsed time + two resolutions is refused. Within that, what runs ahead of the
    clock adds up to two resolutions at most and the rest is not counted, so the hours of any
    stretch never exceed its length + two resolutions. A fall of more than two resolutions stays
    in doubt until three readings or 10 min confirm it: recovered is a spike; else a roll-over
    (past the unit's digits, or from near a limit at which registers and displays begin again, when
    the missing hours fit into the elapsed time) goes on counting, or a reset begins a new epoch,
    counted from its first reading on. A jump ahead that stays is a reset as well.

    declared: how the device writes its hours, where a person said so (the readings are hours by
    now); else what the readings seem to say of that is noted, of all that were sent (`sent`), as a
    count of seconds is soon more than any hours.
    anchors: moments of people's own readings; rises are cut there, shared out by time.
    cuts: moments at which another device began to speak: a new epoch without an event.

    Gives: a record of rises [h] between moments [UTC s], events and the open state. Common
    practice, no source.
    """
    resolution = _resolution(v, carry.resolution_h, rules)
    state = State(
        rules,
        digits,
        resolution,
        carry.max_h,
        carry.at or 0,
        carry.excess_s / 3600,
        per_h=COUNTS_PER_H[declared or "hours"],
        doubted=list(carry.doubted),
    )
    if carry.max_h is not None:
        state.t.append(state.at)
        state.h.append(0.0)
    plain = not (cuts or state.doubted) and _plain(state, t, v)
    whole = sent is None or len(sent) == len(t)
    if not plain:
        waiting = sorted(cuts)
        for at, value in zip(t.tolist(), v.tolist(), strict=True):
            if waiting and at >= waiting[0]:
                waiting = [cut for cut in waiting if cut > at]
                state.max_h, state.doubted = None, []
            take(state, at, value)
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
            format_evidence=FormatEvidence()
            if declared is not None
            else _format_evidence(
                carry.format_evidence, sent or Series(t, v), resolution, cuts, plain and whole
            ),
        ),
    )


def _format_evidence(
    before: FormatEvidence, sent: Series, resolution: float, cuts: Sequence[int], plain: bool
) -> FormatEvidence:
    """What the readings seem to say of how the device writes its hours; of another device, anew."""
    if cuts:
        own = sent.t >= max(cuts)
        before, sent = FormatEvidence(), Series(sent.t[own], sent.v[own])
    return observe(before, sent.t, sent.v, resolution, plain)


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


def _plain(s: State, t: NDArray[np.int64], v: NDArray[np.float64]) -> bool:
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
