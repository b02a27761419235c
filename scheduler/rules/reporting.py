"""What a device sent on one day: how often, with what silences, and each channel in one line."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import Series

LEAST_STEPS = 3
"""A median of fewer steps says nothing about a habit. Common practice, no source."""


class Spot(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One channel over one day, calibrated, in the channel's unit. last_at in UTC seconds."""

    n: int
    min: float
    max: float
    mean: float
    last: float
    last_at: int


class Gap(msgspec.Struct, frozen=True, kw_only=True):
    """Silence longer than the habit allows: no reading between start and end (UTC seconds)."""

    start: int
    end: int


def clip(series: Mapping[str, Series], start: int, end: int) -> dict[str, Series]:
    """The readings in [start, end), in name order, without empty channels.

    Gives: readings in their channels' units. Definition.
    """
    kept: dict[str, Series] = {}
    for name in sorted(series):
        one = series[name]
        if len(one) and (one.t[0] < start or one.t[-1] >= end):
            a, b = np.searchsorted(one.t, (start, end))
            one = Series(one.t[a:b], one.v[a:b])
        if len(one):
            kept[name] = one
    return kept


def times(series: Mapping[str, Series]) -> NDArray[np.int64]:
    """The seconds (UTC, rising) at which the device gave a reading of any channel.

    Gives: [UTC s]. Definition.
    """
    found: NDArray[np.int64] = np.empty(0, np.int64)
    for one in series.values():
        if len(found) == 0:
            found = one.t
        elif len(found) != len(one.t) or not np.array_equal(found, one.t):
            found = np.union1d(found, one.t)
    return found


def spots(series: Mapping[str, Series]) -> dict[str, Spot]:
    """Each channel of the day in one line: count, least, most, mean, newest and when.

    Gives: records in the channel's unit. Arithmetic.
    """
    return {
        name: Spot(
            n=len(one),
            min=float(one.v.min()),
            max=float(one.v.max()),
            mean=round(float(one.v.mean()), 6),
            last=float(one.v[-1]),
            last_at=int(one.t[-1]),
        )
        for name, one in series.items()
    }


def silences(
    heard: NDArray[np.int64],
    on: NDArray[np.bool_],
    before: tuple[int, bool] | None,
    standing_gap_s: int,
    running_gap_s: int,
) -> tuple[Gap, ...]:
    """Silences longer than allowed, also the one that began on the day before.

    heard: times of readings; on: whether the engine ran then; before: the newest of the day before.

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    if before is not None:
        heard = np.append(before[0], heard)
        on = np.append(before[1], on)
    if len(heard) < 2:
        return ()
    long = np.diff(heard) > np.where(on[:-1], running_gap_s, standing_gap_s)
    return tuple(
        Gap(start=int(heard[k]), end=int(heard[k + 1])) for k in np.flatnonzero(long).tolist()
    )


def intervals(heard: NDArray[np.int64], on: NDArray[np.bool_]) -> tuple[float | None, float | None]:
    """(standing, running) median seconds between reports; None with under three steps.

    heard: times of readings [UTC s]; on: whether the engine ran then. The lower median, so that it
    is a length that was really seen.

    Gives: [s]. Arithmetic.
    """
    if len(heard) < 2:
        return None, None
    step = np.diff(heard)
    running = on[:-1] & on[1:]
    standing = ~(on[:-1] | on[1:])
    return _median(step[standing]), _median(step[running])


def _median(step: NDArray[np.int64]) -> float | None:
    """Lower median, so that it is a length that was really seen."""
    if len(step) < LEAST_STEPS:
        return None
    middle = (len(step) - 1) // 2
    return float(np.partition(step, middle)[middle])
