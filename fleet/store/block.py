"""A block: the rows of one device in columns, and how two blocks of the same seconds merge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.model import Clock
from fleet.store import extremes

CLOCK_RANK: Mapping[Clock, int] = {"receipt": 0, "local": 1, "device": 2, "corrected": 3}
"""How a row's time was come by, as it is kept. Two rows of one second: the higher number is kept,
so that no row with a time that was worked out passes for the device's own. Definition."""


@dataclass(frozen=True, slots=True)
class Block:
    """Rows of one device, rising in time.

    t: int64 UTC seconds, no value twice; clock: int64 ranks (CLOCK_RANK);
    values: channel name to float64, NaN where the row did not report the channel.
    All arrays have the same length.
    """

    t: NDArray[np.int64]
    clock: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]

    def __len__(self) -> int:
        return len(self.t)


def empty_block() -> Block:
    """A block without rows."""
    return Block(np.empty(0, np.int64), np.empty(0, np.int64), {})


def merge(a: Block, b: Block) -> tuple[Block, int]:
    """Both blocks in one, and how many values clashed.

    One second in both: missing values are filled from the other, of two different values the
    larger is kept, and the smaller beside it where that matters (`extremes`); of two clocks the
    higher number. The result does not depend on which block is `a`.
    """
    if not len(b):
        return a, 0
    if not len(a):
        return b, 0
    t = np.union1d(a.t, b.t)
    at_a, at_b = np.searchsorted(t, a.t), np.searchsorted(t, b.t)
    clock = np.zeros(len(t), np.int64)
    clock[at_a] = a.clock
    clock[at_b] = np.maximum(clock[at_b], b.clock)

    def columns(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        x, y = np.full(len(t), np.nan), np.full(len(t), np.nan)
        if name in a.values:
            x[at_a] = a.values[name]
        if name in b.values:
            y[at_b] = b.values[name]
        return x, y

    values: dict[str, NDArray[np.float64]] = {}
    clashes = 0
    for name in sorted(a.values.keys() | b.values.keys()):
        if name.endswith(extremes.LOW):
            continue
        x, y = columns(name)
        differ = (x != y) & ~np.isnan(x) & ~np.isnan(y)
        values[name] = np.fmax(x, y)
        low_x, low_y = columns(name + extremes.LOW)
        smaller = np.fmin(x, y)
        clashes += int(np.count_nonzero(differ & (np.where(x > y, low_x, low_y) != smaller)))
        low = np.fmin(low_x, low_y)
        if extremes.keeps_low(name):
            low = np.where(differ, np.fmin(low, smaller), low)
        if not np.isnan(low).all():
            values[name + extremes.LOW] = low
    return Block(t, clock, values), clashes


def cut(block: Block, keep: NDArray[np.bool_]) -> Block:
    """The rows of a block where `keep` is true."""
    values = {name: v[keep] for name, v in block.values.items()}
    return Block(block.t[keep], block.clock[keep], values)


def course(block: Block, name: str) -> extremes.Course:
    """Seconds and values of one channel, both ends of a second among them."""
    high = _there(block.t, block.values[name])
    low = block.values.get(name + extremes.LOW)
    return high if low is None else extremes.course(high, _there(block.t, low))


def _there(t: NDArray[np.int64], v: NDArray[np.float64]) -> extremes.Course:
    there = ~np.isnan(v)
    return t[there], v[there]
