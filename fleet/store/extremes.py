"""Several values of one channel in one second: the largest and the smallest are kept. Pure.

A battery that dips and volts that rise matter alike, so a gauge keeps both ends; a counter or state
keeps the larger. The smallest is kept beside the channel, under its name and `~low` (no device can
give a name with `~`), and stands in a course one second before the largest: in the first second of
a UTC day one after it, and where that second holds a value of its own, even seconds show the
smallest and odd ones the largest. So whatever order values come in, the same is kept and read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.channels import CHANNELS

LOW = "~low"
REACH_S = 2
"""A course near a border depends on seconds so far beyond it. Definition."""

Course = tuple[NDArray[np.int64], NDArray[np.float64]]
"""Seconds, rising, and values."""


def keeps_low(channel: str) -> bool:
    """Whether the smallest value of a second matters beside the largest."""
    known = CHANNELS.get(channel)
    return not channel.endswith(LOW) and (known is None or known.role == "gauge")


def itself(name: str) -> str:
    """A channel whose key is its name."""
    return name


def join(
    kept: dict[str, float], given: Mapping[str, float], channel_of: Callable[[str], str] = itself
) -> int:
    """Bring the values of a second into `kept`, by key; returns how many differed from what was
    there. channel_of: the channel of a key."""
    clashes = 0
    for key, value in given.items():
        if key.endswith(LOW):
            continue
        there = kept.get(key)
        low = _least(kept.get(key + LOW), given.get(key + LOW))
        if there is None:
            kept[key] = value
        elif there != value:
            largest, smallest = max(there, value), min(there, value)
            known = (kept if there > value else given).get(key + LOW)
            clashes += known != smallest
            kept[key] = largest
            low = _least(low, smallest) if keeps_low(channel_of(key)) else None
        if low is not None:
            kept[key + LOW] = low
    return clashes


def course(high: Course, low: Course) -> Course:
    """Both ends of the seconds of a channel as one course, each second once."""
    (t, v), (tl, vl) = high, low
    if not len(tl):
        return high
    first = tl % DAY_S == 0
    place = np.where(first, tl + 1, tl - 1)
    taken = np.isin(place, t) | (first & np.isin(tl + 2, tl))
    shown = taken & (tl % 2 == 0)
    if shown.any():
        v = v.copy()
        v[np.searchsorted(t, tl[shown])] = vl[shown]
    t, v = np.concatenate([t, place[~taken]]), np.concatenate([v, vl[~taken]])
    order = np.argsort(t, kind="stable")
    return t[order], v[order]


def reach(start: int, end: int) -> tuple[int, int]:
    """The seconds that the courses of [start, end) depend on, without crossing a UTC day."""
    low = start - 1 if start % DAY_S else start
    last = end - 1
    return low, min(end + REACH_S, (last // DAY_S + 1) * DAY_S)


def with_lows(channels: frozenset[str]) -> frozenset[str]:
    """Channels and the names beside which their smallest values are kept."""
    return channels | {name + LOW for name in channels if keeps_low(name)}


def _least(a: float | None, b: float | None) -> float | None:
    if a is None or b is None:
        return b if a is None else a
    return min(a, b)
