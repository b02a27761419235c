"""Energy and peak load of a run, from load_kw where it is measured
(docs/engineering/runs.md#energy-and-load)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.model import Series


@dataclass(frozen=True, slots=True)
class Energy:
    """watt_s: watt seconds over the pairs that count (None: none did); load: the newest."""

    watt_s: int | None = None
    peak_kw: float | None = None
    load_at: int | None = None
    load_kw: float = 0.0


def add(
    load: Series, start: int, end: int, running_gap_s: int, before: Energy, *, held: bool
) -> Energy:
    """Energy and peak from load_kw [kW] within [start, end], added to what is `before`.

    Trapezium between readings at most running_gap_s apart, nothing across a longer gap; `held`:
    an on-change device's value holds until its next. Whole watt seconds, so that the sum does
    not depend on how the days were cut.

    Gives: a record in watt seconds [Ws] and kilowatts [kW]. Arithmetic.
    """
    a = int(np.searchsorted(load.t, start, side="left"))
    b = int(np.searchsorted(load.t, end, side="right"))
    t, v = load.t[a:b], load.v[a:b]
    if len(t) == 0:
        return before
    top = float(v.max())
    if before.load_at is not None:
        t, v = np.insert(t, 0, before.load_at), np.insert(v, 0, before.load_kw)
    step = np.diff(t)
    count = step <= running_gap_s
    total = before.watt_s
    if count.any():
        mean = v[:-1] if held else (v[1:] + v[:-1]) / 2
        watt_s = np.rint(mean[count] * step[count] * 1000).astype(np.int64)
        total = (total or 0) + int(watt_s.sum())
    peak = top if before.peak_kw is None else max(before.peak_kw, top)
    return Energy(total, peak, int(t[-1]), float(v[-1]))
