"""Numbers that look like chance and can be asked for at any moment, in any order.

A splitmix64 hash of (seed, stream, n) stands in for a random generator, so that the value at one
moment never depends on which other moments were asked for: a day rendered alone equals the same
day rendered within a year.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[Any]

# Constants of splitmix64 (G. Steele, D. Lea, C. Flood, OOPSLA 2014).
_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_A = np.uint64(0xBF58476D1CE4E5B9)
_MIX_B = np.uint64(0x94D049BB133111EB)


def _mix(z: NDArray[np.uint64]) -> NDArray[np.uint64]:
    z = (z ^ (z >> np.uint64(30))) * _MIX_A
    z = (z ^ (z >> np.uint64(27))) * _MIX_B
    return z ^ (z >> np.uint64(31))


def _hash(seed: int, stream: int, n: Ints) -> NDArray[np.uint64]:
    """uint64 hashes of n, one independent sequence per (seed, stream)."""
    key = np.array([(seed * 1_000_003 + stream * 7_919 + 1) & 0xFFFFFFFFFFFFFFFF], np.uint64)
    return _mix(_mix(key * _GOLDEN) + n.astype(np.uint64) * _GOLDEN)


def uniform(seed: int, stream: int, n: Ints) -> Floats:
    """Values in [0, 1), shape of n."""
    return (_hash(seed, stream, n) >> np.uint64(11)).astype(np.float64) * 2.0**-53


def one(seed: int, stream: int, n: int = 0) -> float:
    """One value in [0, 1)."""
    return float(uniform(seed, stream, np.array([n], np.int64))[0])


def normal(seed: int, stream: int, n: Ints) -> Floats:
    """Near-normal values, mean 0 and deviation 1, within +-3.5: the sum of four 16-bit uniforms."""
    parts = _hash(seed, stream, n).view(np.uint16).reshape(-1, 4).sum(axis=1, dtype=np.int64)
    found: Floats = (parts / 65536.0 - 2.0) * 3.0**0.5
    return found


def smooth(seed: int, stream: int, t: Ints, period_s: int) -> Floats:
    """Slow wandering within [-1, 1]: cosine between random knots `period_s` apart."""
    knot = t // period_s
    low = int(knot.min()) if len(knot) else 0
    high = int(knot.max()) + 2 if len(knot) else 2
    values = 2.0 * uniform(seed, stream, np.arange(low, high + 1, dtype=np.int64)) - 1.0
    share = (t - knot * period_s) / period_s
    weight = 0.5 - 0.5 * np.cos(np.pi * share)
    found: Floats = values[knot - low] * (1.0 - weight) + values[knot - low + 1] * weight
    return found
