"""What a page says of one quantity."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from scheduler.assess.supply.points import YEAR_S
from scheduler.assess.supply.quantity import ENOUGH, History
from scheduler.rules import supply
from scheduler.rules.supply import Measured, Plate, RunPoint

POINTS_SHOWN = 60
"""Points of the newest runs that are shown. Definition."""
NO_RUN_SINCE = "no run since its device, its calibration or a part of it was changed"


def measured(history: History, plate: Plate, outages: set[int], out: bool) -> Measured | None:
    """What the page says of one quantity; None where it was never read.

    outages: starts of the runs that an outage asked for [UTC s]; out: whether it is out of its band
    now.

    Gives: a record in volts [V] or hertz [Hz], or none. Common practice, no source.
    """
    if not history.points:
        return None
    last = history.points[-1]
    value = history.value(last)
    assert value is not None
    electronic = history.quantity == "hertz" and plate.inverter
    enough = [p for p in history.points if history.n(p) >= ENOUGH]
    own = history.own
    usual = [v for p in own if history.n(p) >= ENOUGH and (v := history.value(p)) is not None]
    like = supply.alike(
        [_point(history, p, outages) for p in enough], plate.rated_kw, supply.no_load_kw(plate)
    )
    drift, why_not = (
        supply.drift(history.quantity, like, history.band) if own else (None, NO_RUN_SINCE)
    )
    width = last.hertz_width if history.quantity == "hertz" else None
    label = supply.volts_like if history.quantity == "volts" else supply.hertz_like
    not_judged = "electronics" if electronic else ""
    return Measured(
        quantity=history.quantity,
        channel=history.channel,
        band=history.band,
        last=round(value, 2),
        last_at=last.start,
        n=history.n(last),
        width_pct=None if width is None else round(100 * width / history.band.nominal, 2),
        usual_low=round(float(np.percentile(usual, 10)), 2) if len(usual) >= 5 else None,
        usual_high=round(float(np.percentile(usual, 90)), 2) if len(usual) >= 5 else None,
        runs=len(own),
        since=history.since if history.since > last.start - YEAR_S else None,
        supply=label(value, plate),
        out=out,
        checked=history.checked,
        not_judged=not_judged or ("" if history.n(last) >= ENOUGH else "too few samples"),
        drift=drift,
        drift_not_judged=why_not,
        points=tuple(
            (p.start, v) for p in history.points[-POINTS_SHOWN:] if (v := history.value(p))
        ),
    )


def _point(history: History, point: RunPoint, outages: set[int]) -> supply.Point:
    value = history.value(point)
    assert value is not None
    return supply.Point(
        start=point.start,
        value=value,
        load_kw=point.load_kw,
        slope=point.volts_slope if history.quantity == "volts" else point.hertz_slope,
        segment=bisect_right(history.moments, point.start),
        outage=point.start in outages,
    )
