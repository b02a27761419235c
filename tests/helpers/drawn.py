"""A window of readings and runs to draw."""

from __future__ import annotations

import numpy as np

from fleet.model import Run, Window

HOUR = 3600


def window(values: list[float | None], width: int = HOUR, start: int = 0) -> Window:
    """Buckets from values: least and greatest half a unit around, None empty."""
    v = np.array([np.nan if x is None else x for x in values], np.float64)
    return Window(
        start=start + width * np.arange(len(v), dtype=np.int64),
        width_s=width,
        minimum=v - 0.5,
        maximum=v + 0.5,
        mean=v,
        last=v,
        count=(~np.isnan(v)).astype(np.int64),
    )


def run(start: int, end: int | None) -> Run:
    return Run(start=start, end=end, start_seen="observed", end_seen="observed")
