"""How hard an engine was used since its oil was changed: short cold runs, heavy hours."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.model import Run

SHORT_S = 15 * 60
"""A run under 15 min does not boil water and fuel out of the oil. Common practice, no source."""
COLD_AFTER_S = 4 * 3600
"""An engine that stood this long starts cold. Common practice, no source."""
HEAVY_SHARE = 0.75
"""Heavy: mean load of the run at or above this share of the rating. Common practice, no source."""


class Duty(msgspec.Struct, frozen=True, kw_only=True):
    """Since `since` (UTC s): runs whose end is known, of them short and cold; heavy hours [h].

    heavy_h None: the load is not measured, so it could not have been seen.
    """

    since: int
    runs: int
    short_cold: int
    hours_h: float
    heavy_h: float | None


def duty_of(runs: Sequence[Run], since: int, rated_kw: float | None) -> Duty:
    """The duty of an engine over its runs (rising) that began at or after `since`.

    Short and cold: under 15 min, seen to end, after 4 h of standing. Heavy: mean load, energy over
    length, from 75 % of rated_kw [kW] on.

    Gives: a record of runs [1] and hours [h]. Common practice, no source.
    """
    ended = [run for run in runs if run.end is not None]
    mine = short = 0
    total = heavy = 0.0
    measured = False
    last_end: int | None = None
    for run in ended:
        assert run.end is not None
        cold = last_end is None or run.start - last_end >= COLD_AFTER_S
        last_end = run.end
        if run.start < since:
            continue
        length_h = (run.end - run.start) / 3600
        mine, total = mine + 1, total + length_h
        short += cold and run.end - run.start < SHORT_S and run.end_seen == "observed"
        if run.energy_kwh is not None and rated_kw and length_h > 0:
            measured = True
            heavy += length_h if run.energy_kwh / length_h >= HEAVY_SHARE * rated_kw else 0.0
    return Duty(
        since=since,
        runs=mine,
        short_cold=short,
        hours_h=round(total, 2),
        heavy_h=round(heavy, 2) if measured else None,
    )
