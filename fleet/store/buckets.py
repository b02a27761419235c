"""Equal buckets over a range, and what falls into them. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.model import Window
from fleet.store.spans import SPAN_S, SPANS, Pieces


@dataclass(frozen=True, slots=True)
class Buckets:
    """n buckets from `start`, each width_s wide; nothing at or after `end` counts."""

    start: int
    end: int
    n: int
    width_s: int


def buckets(start: int, end: int, n: int) -> Buckets:
    """n equal buckets over [start, end), width rounded up to whole seconds (at least 1).

    Raises ValueError for n below 1.
    """
    if n < 1:
        raise ValueError(f"{n} buckets asked for; at least one is needed")
    return Buckets(start, max(start, end), n, max(1, -(-(end - start) // n)))


def whole_spans(
    b: Buckets, first_day: int, days: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """By day (from first_day on) and 4-hour span: (lies in the range and in one bucket, touches
    the range)."""
    marks = np.arange(first_day * SPANS, (first_day + days) * SPANS, dtype=np.int64)
    first = marks.reshape(days, SPANS) * SPAN_S
    last = first + SPAN_S - 1
    inside = (first >= b.start) & (last < b.end)
    one = (first - b.start) // b.width_s == (last - b.start) // b.width_s
    return inside & one, (last >= b.start) & (first < b.end)


def fill(b: Buckets, parts: Pieces) -> Window:
    """Pieces (rising in time, all in the range, none across a border) by bucket."""
    start = b.start + np.arange(b.n, dtype=np.int64) * b.width_s
    minimum, maximum, mean, last = (np.full(b.n, np.nan) for _ in range(4))
    count = np.zeros(b.n, np.int64)
    if len(parts):
        bucket = (parts.at - b.start) // b.width_s
        first = np.flatnonzero(np.diff(bucket, prepend=-1))
        where = bucket[first]
        count[where] = np.add.reduceat(parts.n, first)
        minimum[where] = np.minimum.reduceat(parts.minimum, first)
        maximum[where] = np.maximum.reduceat(parts.maximum, first)
        last[where] = parts.last[np.append(first[1:], len(bucket)) - 1]
        with np.errstate(over="ignore", invalid="ignore"):
            mean[where] = np.add.reduceat(parts.total, first) / count[where]
    return Window(start, b.width_s, minimum, maximum, mean, last, count)
