"""What a page says of one quantity."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from scheduler.assess.supply.points import YEAR_S
from scheduler.assess.supply.quantity import ENOUGH, Of
from scheduler.rules import supply
from scheduler.rules.supply import Measured, Plate, RunPoint

POINTS_SHOWN = 60
"""Points of the newest runs that are shown. Definition."""
NO_RUN_SINCE = "no run since its device, its calibration or a part of it was changed"


def measured(of: Of, plate: Plate, outages: set[int], out: bool) -> Measured | None:
    """What the page says of one quantity; None where it was never read.

    outages: starts of the runs that an outage asked for [UTC s]; out: whether it is out of its band
    now.

    Gives: a record in volts [V] or hertz [Hz], or none. Common practice, no source.
    """
    if not of.points:
        return None
    last = of.points[-1]
    value = of.value(last)
    assert value is not None
    electronic = of.quantity == "hertz" and plate.inverter
    enough = [p for p in of.points if of.n(p) >= ENOUGH]
    own = of.own
    usual = [v for p in own if of.n(p) >= ENOUGH and (v := of.value(p)) is not None]
    like = supply.alike(
        [_point(of, p, outages) for p in enough], plate.rated_kw, supply.no_load_kw(plate)
    )
    drift, why_not = supply.drift(of.quantity, like, of.band) if own else (None, NO_RUN_SINCE)
    width = last.hertz_width if of.quantity == "hertz" else None
    label = supply.volts_like if of.quantity == "volts" else supply.hertz_like
    not_judged = "electronics" if electronic else ""
    return Measured(
        quantity=of.quantity,
        channel=of.channel,
        band=of.band,
        last=round(value, 2),
        last_at=last.start,
        n=of.n(last),
        width_pct=None if width is None else round(100 * width / of.band.nominal, 2),
        usual_low=round(float(np.percentile(usual, 10)), 2) if len(usual) >= 5 else None,
        usual_high=round(float(np.percentile(usual, 90)), 2) if len(usual) >= 5 else None,
        runs=len(own),
        since=of.since if of.since > last.start - YEAR_S else None,
        supply=label(value, plate),
        out=out,
        checked=of.checked,
        not_judged=not_judged or ("" if of.n(last) >= ENOUGH else "too few samples"),
        drift=drift,
        drift_not_judged=why_not,
        points=tuple((p.start, v) for p in of.points[-POINTS_SHOWN:] if (v := of.value(p))),
    )


def _point(of: Of, point: RunPoint, outages: set[int]) -> supply.Point:
    value = of.value(point)
    assert value is not None
    return supply.Point(
        start=point.start,
        value=value,
        load_kw=point.load_kw,
        slope=point.volts_slope if of.quantity == "volts" else point.hertz_slope,
        segment=bisect_right(of.moments, point.start),
        outage=point.start in outages,
    )
