"""Hours the meter gained while the engine was seen to stand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


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
