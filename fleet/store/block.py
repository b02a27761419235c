"""A block: the rows of one device in columns, and how two blocks of the same seconds merge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.model import Clock

CLOCK_RANK: Mapping[Clock, int] = {"receipt": 0, "local": 1, "device": 2}
"""How far a row's time is to be trusted. Two rows of one second: the higher rank is kept.
Definition."""


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
    larger is kept (and counted), of two clocks the higher rank. The result does not depend on
    which block is `a`.
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
    values: dict[str, NDArray[np.float64]] = {}
    clashes = 0
    for name in sorted(a.values.keys() | b.values.keys()):
        x, y = np.full(len(t), np.nan), np.full(len(t), np.nan)
        if name in a.values:
            x[at_a] = a.values[name]
        if name in b.values:
            y[at_b] = b.values[name]
        clashes += int(np.count_nonzero((x != y) & ~np.isnan(x) & ~np.isnan(y)))
        values[name] = np.fmax(x, y)
    return Block(t, clock, values), clashes


def cut(block: Block, keep: NDArray[np.bool_]) -> Block:
    """The rows of a block where `keep` is true."""
    values = {name: v[keep] for name, v in block.values.items()}
    return Block(block.t[keep], block.clock[keep], values)
