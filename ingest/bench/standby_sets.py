"""Seeded sets on standby: what their devices would send, in the order of arrival."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.model import Reading

CHANNELS = (
    "battery_v",
    "ac_v",
    "frequency_hz",
    "charge_v",
    "mains_v",
    "run_hours_h",
    "start_attempts",
    "in_auto",
)
T0 = 20_000 * DAY_S
BATCH = 1000


def one_set(seed: int, days: int, step: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Times and values (row by channel) of one set on standby."""
    r = np.random.default_rng(seed)
    n = days * DAY_S // step
    t = T0 + np.arange(n, dtype=np.int64) * step
    on = np.zeros(n, np.bool_)
    for day in np.flatnonzero(r.random(days) < 0.3):
        start = T0 + day * DAY_S + r.integers(0, DAY_S - 7200)
        on |= (t >= start) & (t < start + r.integers(900, 7200))
    daily = np.sin((t % DAY_S) / DAY_S * 2 * np.pi)
    wander = np.convolve(r.normal(0, 1, n + 59), np.ones(60) / 60, "valid") * 4
    starts = np.cumsum(np.diff(on.astype(np.int64), prepend=0) == 1)
    columns = [
        np.round(13.55 + 0.02 * daily + 0.6 * on + r.normal(0, 0.012, n), 2),
        np.where(on, np.round(231 + r.normal(0, 0.6, n), 1), 0.0),
        np.where(on, np.round(50 + r.normal(0, 0.05, n), 2), 0.0),
        np.where(on, np.round(14.1 + r.normal(0, 0.02, n), 2), 0.0),
        np.round(231 + 2 * daily + wander + r.normal(0, 0.4, n), 1),
        np.round(812.4 + np.cumsum(on) * step / 3600, 1),
        57.0 + starts,
        np.ones(n),
    ]
    return t, np.column_stack(columns)


def batches(units: int, days: int, step: int) -> Iterator[list[Reading]]:
    """Readings of all sets in the order of arrival, a commit's worth at a time."""
    sets = [one_set(unit, days, step) for unit in range(units)]
    per_unit = max(1, BATCH // units)
    for i in range(0, len(sets[0][0]), per_unit):
        batch = []
        for unit, (t, v) in enumerate(sets):
            rows = zip(t[i : i + per_unit].tolist(), v[i : i + per_unit].tolist(), strict=True)
            for at, values in rows:
                batch.append(Reading(f"set-{unit}", at, dict(zip(CHANNELS, values, strict=True))))
        yield batch
