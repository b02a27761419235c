"""What says that the engine turns: readings of one or two channels to on and off points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.channels import CHANNELS
from fleet.defaults import GAP_AT_LEAST_S, GAP_HABITS
from fleet.model import Habit, RunningSignal, Series, SignalChannel, no_series

HEARTBEAT_MARGIN = 1.10
SLEEPING_REPORTS = 2 * 1.10
"""A heartbeat is missed when it is 10 % late; sleeping: the second missed report + 10 %
(docs/engineering/reporting.md#gaps). Common practice, no source."""


MISSING_S = 180
"""Three minutes and half the allowed gap may one of two channels be missing after it was on, before
the other, at rest all the while, is heard alone (docs/engineering/runs.md#missing). Common practice,
no source."""


class Gaps(msgspec.Struct, frozen=True, kw_only=True):
    """The longest silence that is none, [s], while standing and while running.

    holds: the last value holds while the device is heard of (on-change habit).
    """

    standing_s: int
    running_s: int
    holds: bool = False

    def __post_init__(self) -> None:
        if self.standing_s <= 0 or self.running_s <= 0:
            raise ValueError("an allowed gap must be longer than 0 s")


def allowed_gaps(habit: Habit) -> Gaps:
    """The gaps a habit allows: 2.5 habits, at least 3 min (docs/engineering/reporting.md#gaps).

    On change: until the heartbeat is missed by a tenth. Sleeping: until the second missed report
    and a tenth. Raises ValueError when the habit's lengths are not above 0 s.

    Gives: a record in seconds [s]. Common practice, no source.
    """
    if min(habit.standing_s, habit.running_s, habit.heartbeat_s) <= 0:
        raise ValueError("a reporting habit must be longer than 0 s")
    if habit.mode == "on_change":
        beat = max(GAP_AT_LEAST_S, round(habit.heartbeat_s * HEARTBEAT_MARGIN))
        return Gaps(standing_s=beat, running_s=beat, holds=True)
    factor = SLEEPING_REPORTS if habit.mode == "sleeping" else GAP_HABITS
    return Gaps(
        standing_s=max(GAP_AT_LEAST_S, round(habit.standing_s * factor)),
        running_s=max(GAP_AT_LEAST_S, round(habit.running_s * factor)),
    )


class StateSeen(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The newest state of one channel, or of the joined signal: on since a reading at `at`."""

    on: bool
    at: int


class SignalCarry(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Between the two thresholds the last state goes on, so it is handed over midnight.

    heard_at: the newest message; joined holds only while no longer silence lies between.
    """

    first: StateSeen | None = None
    second: StateSeen | None = None
    joined: StateSeen | None = None
    heard_at: int | None = None


@dataclass(frozen=True, slots=True)
class Trace:
    """Points of the running signal in time order: t int64 UTC seconds, on bool.

    real: False where an on-change device's value is held at another message's time.
    """

    t: NDArray[np.int64]
    on: NDArray[np.bool_]
    real: NDArray[np.bool_]


def check_signal(signal: RunningSignal) -> None:
    """Raise ValueError, saying what is wrong, on a running signal that cannot work.

    Gives: nothing. Definition.
    """
    for part in (signal.first, signal.second):
        if part is not None and not part.off <= part.on:
            raise ValueError(f"{part.channel}: off at {part.off} is above on at {part.on}")
    if signal.second is not None and signal.second.channel == signal.first.channel:
        raise ValueError(f"{signal.first.channel}: the second channel repeats the first")
    if signal.hold_on_s < 0 or signal.hold_off_s < 0:
        raise ValueError("a hold time cannot be below 0 s")


def plausible(channel: str, series: Series) -> Series:
    """The series without values outside the channel's plausible range (they are doubted).

    Gives: readings in the channel's unit. Source: the ranges of fleet/channels.py, each with its
    origin there.
    """
    known = CHANNELS.get(channel)
    if known is None or len(series) == 0:
        return series
    low, high = known.plausible
    if series.v.min() >= low and series.v.max() <= high:
        return series
    keep = (series.v >= low) & (series.v <= high)
    return Series(series.t[keep], series.v[keep])


def evaluate(
    signal: RunningSignal,
    series: Mapping[str, Series],
    heard: NDArray[np.int64],
    gaps: Gaps,
    carry: SignalCarry,
    told: Sequence[tuple[int, bool]] = (),
) -> tuple[Trace, SignalCarry]:
    """On and off points of one day.

    On at or above `on`, off at or below `off`; between them the state before goes on, and with
    none before it counts as off. A possible but implausible value is ignored. Two channels:
    `either` is on when one is on; `both` is on when both are, off when one is off; a channel
    silent for longer than its allowed gap has no say; where it was on last, and the other at rest,
    the other's rest is no word either for three minutes more. heard: times of all messages, rising.
    told: (time, on) of start and stop events; they are points of an on-change device's signal,
    since it may say nothing else, but a reading of the same second wins.

    Gives: points, moments [UTC s] with on or off, and the open state. Definition.
    """
    check_signal(signal)
    first, one = _channel(signal.first, series, carry.first)
    second, two = None, carry.second
    if signal.second is not None:
        second, two = _channel(signal.second, series, carry.second)
    if second is None or (len(second.t) == 0 and carry.second is None):
        trace = first
    elif len(first.t) == 0 and carry.first is None:
        trace = second if signal.join == "either" else _nothing()
    else:
        trace = _join(first, carry.first, second, carry.second, signal.join == "either", gaps)
    if gaps.holds:
        trace = _add(trace, told)
        trace = _hold(trace, heard, gaps, carry)
    joined = carry.joined
    if len(trace.t):
        joined = StateSeen(on=bool(trace.on[-1]), at=int(trace.t[-1]))
    return trace, SignalCarry(
        first=one,
        second=two,
        joined=joined,
        heard_at=int(heard[-1]) if len(heard) else carry.heard_at,
    )


def _nothing() -> Trace:
    return Trace(np.empty(0, np.int64), np.empty(0, np.bool_), np.empty(0, np.bool_))


def _add(trace: Trace, told: Sequence[tuple[int, bool]]) -> Trace:
    extra = sorted(dict(sorted(told)).items() - {(t, o) for t in trace.t.tolist() for o in (0, 1)})
    if not extra:
        return trace
    place = np.searchsorted(trace.t, [at for at, _ in extra])
    return Trace(
        np.insert(trace.t, place, [at for at, _ in extra]),
        np.insert(trace.on, place, [on for _, on in extra]),
        np.insert(trace.real, place, True),
    )


def _channel(
    part: SignalChannel, series: Mapping[str, Series], before: StateSeen | None
) -> tuple[Trace, StateSeen | None]:
    """Hysteresis of one channel."""
    own = plausible(part.channel, series.get(part.channel) or no_series())
    if len(own) == 0:
        return _nothing(), before
    on = own.v >= part.on
    between = ~on & (own.v > part.off)
    if between.any():
        last = np.maximum.accumulate(np.where(between, -1, np.arange(len(own))))
        on = np.where(last >= 0, on[last], before is not None and before.on)
    return (
        Trace(own.t, on, np.ones(len(own), np.bool_)),
        StateSeen(on=bool(on[-1]), at=int(own.t[-1])),
    )


def _at(
    trace: Trace, before: StateSeen | None, t: NDArray[np.int64], gaps: Gaps
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(fresh and on, fresh and off) of one channel at the times t."""
    place = np.searchsorted(trace.t, t, side="right") - 1
    if len(trace.t):
        on = np.where(place >= 0, trace.on[place], before is not None and before.on)
        at = np.where(place >= 0, trace.t[place], before.at if before else -(2**60))
    else:
        on = np.full(len(t), before is not None and before.on)
        at = np.full(len(t), before.at if before else -(2**60))
    limit = np.where(on, gaps.running_s, gaps.standing_s)
    fresh = (t - at <= limit) if not gaps.holds else at > -(2**60)
    return fresh & on, fresh & ~on


def _missing_on(
    lost: Trace,
    lost_before: StateSeen | None,
    other: Trace,
    other_before: StateSeen | None,
    t: NDArray[np.int64],
    gaps: Gaps,
) -> NDArray[np.bool_]:
    """Where a channel that last was on is missing, for a while, and the other was at rest even then:
    that it still is says nothing (one of two that are on by turns, or never both)."""
    place = np.searchsorted(lost.t, t, side="right") - 1
    was_on, was_at = lost_before is not None and lost_before.on, _seen_at(lost_before)
    if len(lost.t):
        on = np.where(place >= 0, lost.on[place], was_on)
        at = np.where(place >= 0, lost.t[place], was_at)
    else:
        on, at = np.full(len(t), was_on), np.full(len(t), was_at)
    away = t - at
    missing = on & (away > gaps.running_s) & (away <= MISSING_S + gaps.running_s // 2)
    if gaps.holds or not missing.any():
        return np.zeros(len(t), np.bool_)
    return missing & _at(other, other_before, at, gaps)[1]


def _seen_at(before: StateSeen | None) -> int:
    return before.at if before is not None else -(2**60)


def _join(
    first: Trace,
    one: StateSeen | None,
    second: Trace,
    two: StateSeen | None,
    either: bool,
    gaps: Gaps,
) -> Trace:
    if np.array_equal(first.t, second.t):
        on = first.on | second.on if either else first.on & second.on
        return Trace(first.t, on, first.real)
    t = np.union1d(first.t, second.t)
    on_1, off_1 = _at(first, one, t, gaps)
    on_2, off_2 = _at(second, two, t, gaps)
    if either:
        said = off_1 & ~_missing_on(second, two, first, one, t, gaps)
        said |= off_2 & ~_missing_on(first, one, second, two, t, gaps)
        on, known = on_1 | on_2, on_1 | on_2 | said
    else:
        on = on_1 & on_2
        known = on | off_1 | off_2
    return Trace(t[known], on[known], np.ones(int(known.sum()), np.bool_))


def _hold(trace: Trace, heard: NDArray[np.int64], gaps: Gaps, carry: SignalCarry) -> Trace:
    """Hold the last value at every message, as far as no longer silence lies between."""
    if len(heard) == 0:
        return trace
    before = carry.heard_at if carry.heard_at is not None else int(heard[0])
    stretch = np.cumsum(np.diff(heard, prepend=before) > gaps.standing_s)
    place = np.searchsorted(trace.t, heard, side="right") - 1
    on = np.full(len(heard), carry.joined is not None and carry.joined.on)
    valid = np.full(len(heard), carry.joined is not None) & (stretch == 0)
    real = np.zeros(len(heard), np.bool_)
    if len(trace.t):
        source = np.searchsorted(heard, trace.t[place])
        have = place >= 0
        on = np.where(have, trace.on[place], on)
        valid = np.where(have, stretch == stretch[source], valid)
        real = have & (trace.t[place] == heard)
    return Trace(heard[valid], on[valid], real[valid])
