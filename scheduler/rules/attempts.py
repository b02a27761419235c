"""Start attempts as a device tells of them: its counter, and readings of a crank.

Whole numbers only, no rates: a step is counted where it was read, including the step between
the last reading of the day before and the first of this one.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import Series

COUNTER_JUMP = 100
"""A counter that leaps by more was replaced or is garbage: a new base, no attempts. Common
practice, no source."""
COUNTER_CONFIRM_N, COUNTER_CONFIRM_S = 3, 600
"""A lower counter is believed after three readings or 10 min, like the hour meter. Common practice,
no source."""

Rise = tuple[int, int, int]
"""(earliest, at, n): the counter gained n after `earliest` and at or before `at` (UTC s)."""
Dip = tuple[int, float | None, float | None]
"""(at, crank_min_v, crank_s): a crank reading that tells of an attempt."""


class CounterCarry(msgspec.Struct, frozen=True, kw_only=True):
    """The attempt counter: value believed, newest reading of it, lower readings in doubt."""

    value: int
    at: int
    doubted: tuple[tuple[int, int], ...] = ()


class DipCarry(msgspec.Struct, frozen=True, kw_only=True):
    """The newest crank readings: when, volts, seconds."""

    at: int
    crank_min_v: float | None = None
    crank_s: float | None = None


def count(
    t: NDArray[np.int64],
    v: NDArray[np.float64],
    carry: CounterCarry | None,
    cuts: Sequence[int] = (),
) -> tuple[tuple[Rise, ...], CounterCarry | None]:
    """Rises of the start_attempts counter over one day (t UTC s rising, v plausible).

    A fall is in doubt until three readings or 10 min confirm it (recovered: nothing happened),
    then counts from its first reading on. cuts: another device began to speak: a new base.

    Gives: rises [1] with their moments [UTC s], and the open state. Common practice, no source.
    """
    if len(t) == 0:
        return (), carry
    whole = np.rint(v).astype(np.int64)
    same = carry is not None and not carry.doubted and not cuts
    if carry is not None and same and whole.min() == whole.max() == carry.value:
        return (), msgspec.structs.replace(carry, at=int(t[-1]))
    if same or carry is None:
        if carry is not None:
            t, whole = np.append(carry.at, t), np.append(carry.value, whole)
        step = np.diff(whole)
        if not cuts and not (step < 0).any():
            up = np.flatnonzero((step > 0) & (step <= COUNTER_JUMP)).tolist()
            plain = tuple((int(t[k]), int(t[k + 1]), int(step[k])) for k in up)
            return plain, CounterCarry(value=int(whole[-1]), at=int(t[-1]))
    rises: list[Rise] = []
    waiting = sorted(cuts)
    for at, value in zip(t.tolist(), whole.tolist(), strict=True):
        if waiting and at >= waiting[0]:
            waiting = [cut for cut in waiting if cut > at]
            carry = None
        carry = _read(rises, carry, at, value)
    return tuple(rises), carry


def _read(rises: list[Rise], carry: CounterCarry | None, at: int, value: int) -> CounterCarry:
    if carry is None:
        return CounterCarry(value=value, at=at)
    if value < carry.value:
        doubted = (*carry.doubted, (at, value))
        long = at - doubted[0][0] >= COUNTER_CONFIRM_S
        if len(doubted) < COUNTER_CONFIRM_N and not long:
            return msgspec.structs.replace(carry, doubted=doubted)
        fresh = CounterCarry(value=doubted[0][1], at=doubted[0][0])
        for later, reading in doubted[1:]:
            fresh = _read(rises, fresh, later, reading)
        return fresh
    if 0 < value - carry.value <= COUNTER_JUMP:
        rises.append((carry.at, at, value - carry.value))
    return CounterCarry(value=value, at=at)


def dips(
    volts: Series,
    seconds: Series,
    heard: NDArray[np.int64],
    last_heard: int | None,
    carry: DipCarry | None,
    cuts: Sequence[int] = (),
) -> tuple[tuple[Dip, ...], DipCarry | None]:
    """Attempts told by crank_min_v and crank_s readings.

    Some devices send them once an attempt, others repeat the last ones in every message. A
    reading tells of an attempt when its values differ from those of the message before, or when
    that message had none; the first message ever of a device tells of none. heard: times of all
    messages of the day; last_heard: the one before; cuts: another device began to speak.

    Gives: attempts with their moments [UTC s], least volts [V] and seconds [s]. Common practice, no
    source.
    """
    if len(volts) == 0 and len(seconds) == 0:
        return (), carry
    min_v = dict(zip(volts.t.tolist(), volts.v.tolist(), strict=True))
    crank_s = dict(zip(seconds.t.tolist(), seconds.v.tolist(), strict=True))
    found: list[Dip] = []
    times = sorted(min_v.keys() | crank_s.keys())
    before = np.searchsorted(heard, times) - 1
    opening = {int(heard[0])} if last_heard is None else set()
    opening |= {int(heard[k]) for k in np.searchsorted(heard, sorted(cuts)) if k < len(heard)}
    for at, place in zip(times, before.tolist(), strict=True):
        now = DipCarry(at=at, crank_min_v=min_v.get(at), crank_s=crank_s.get(at))
        message = int(heard[place]) if place >= 0 else last_heard
        repeated = (
            carry is not None
            and carry.at == message
            and (carry.crank_min_v, carry.crank_s) == (now.crank_min_v, now.crank_s)
        )
        if not repeated and at not in opening:
            found.append((at, now.crank_min_v, now.crank_s))
        carry = now
    return tuple(found), carry
