"""Volts and hertz of one unit: bands, the last run, usual range, drift, and what is wrong."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from fleet.model import Finding, Run
from fleet.registry.types import UnitInputs
from scheduler.assess import supply_findings as said
from scheduler.assess.condition import Now
from scheduler.assess.seen import covers
from scheduler.day import Day, plate_of
from scheduler.rules import supply
from scheduler.rules.supply import Band, Measured, Plate, Quantity, RunPoint, SupplySeen

YEAR_S = 365 * 86_400
ENOUGH = 3
"""Settled samples of a run below which it is not judged: "too few samples"."""
POINTS_SHOWN = 60
NOMINAL_OFF = 0.12
"""A wrong nominal is one that every run missed by this share. Common practice, no source."""
PARTS: dict[Quantity, tuple[str, ...]] = {
    "volts": ("regulator", "avr", "alternator", "capacitor"),
    "hertz": ("governor", "carburet", "inject", "actuator", "stepper"),
}
"""A changed part whose name holds one of these starts the history of that quantity afresh."""


@dataclass(frozen=True, slots=True)
class _Of:
    """What is known of one quantity: its channel, band, runs, and where its history begins anew."""

    quantity: Quantity
    channel: str
    band: Band
    points: tuple[RunPoint, ...]
    checked: bool
    moments: tuple[int, ...]

    def value(self, point: RunPoint) -> float | None:
        return point.volts if self.quantity == "volts" else point.hertz

    def n(self, point: RunPoint) -> int:
        return point.volts_n if self.quantity == "volts" else point.hertz_n


def look(
    inputs: UnitInputs, days: Sequence[Day], runs: Sequence[Run], at: Now
) -> tuple[SupplySeen, tuple[Finding, ...]]:
    """What is known of the unit's volts and hertz, and what is wrong with them.

    days: stored days, rising; runs: with the agreed exercise joined (`why`).
    """
    plate = plate_of(inputs.unit)
    points = _points(days, at.now)
    channel = next((d.supply.channel for d in reversed(days) if d.supply and d.supply.channel), "")
    volts = _of("volts", channel, supply.volts_band(plate), inputs, points, at.now)
    hertz = _of("hertz", "frequency_hz", supply.hertz_band(plate), inputs, points, at.now)
    outages = {run.start for run in runs if run.why == "outage"}
    delays = said.still_open(inputs, days, volts.channel, at.now)
    wrong = tuple(
        found for found in (_wrong_volts(volts), _wrong_hertz(hertz, plate)) if found is not None
    )
    seen = SupplySeen(
        volts=_measured(volts, plate, outages, "volts" in delays),
        hertz=_measured(hertz, plate, outages, "hertz" in delays),
        out_at_last_run=bool(delays.keys() & {"volts", "hertz"}),
        unbalance_pct=next(
            (p.unbalance_pct for p in reversed(points) if p.unbalance_pct is not None), None
        ),
        standing_untold=any(d.supply.untold for d in days[-14:] if d.supply),
        wrong_nominal=wrong,
    )
    about = said.About(
        inputs, plate, seen, points, delays, at.now, at.aside.condition if at.aside else ""
    )
    return seen, said.findings(about)


def _points(days: Sequence[Day], now: int) -> tuple[RunPoint, ...]:
    """One point a run: the parts of a run over midnight put together, by their samples."""
    by_start: dict[int, RunPoint] = {}
    for day in days:
        for point in day.supply.points if day.supply else ():
            if now - YEAR_S < point.start <= now:
                before = by_start.get(point.start)
                by_start[point.start] = point if before is None else _joined(before, point)
    return tuple(by_start[start] for start in sorted(by_start))


def _joined(one: RunPoint, two: RunPoint) -> RunPoint:
    more = two if two.volts_n + two.hertz_n > one.volts_n + one.hertz_n else one
    return msgspec.structs.replace(
        more,
        volts_n=one.volts_n + two.volts_n,
        volts=_mean(one.volts, one.volts_n, two.volts, two.volts_n),
        hertz_n=one.hertz_n + two.hertz_n,
        hertz=_mean(one.hertz, one.hertz_n, two.hertz, two.hertz_n),
        load_kw=_mean(one.load_kw, one.volts_n or 1, two.load_kw, two.volts_n or 1),
    )


def _mean(one: float | None, n: int, two: float | None, m: int) -> float | None:
    if one is None or two is None:
        return two if one is None else one
    return round((one * n + two * m) / (n + m), 3)


def _of(
    quantity: Quantity,
    channel: str,
    band: Band,
    inputs: UnitInputs,
    points: Sequence[RunPoint],
    now: int,
) -> _Of:
    """Hertz are counted, not scaled: a meter on the volts of the same device vouches for them."""
    fitted = {f.id for f in inputs.fittings if covers(f.from_at, f.to_at, now)}
    ac = [c for c in inputs.calibrations if c.from_at <= now and c.channel.startswith("ac_")]
    mine = [c for c in inputs.calibrations if c.channel == channel and c.from_at <= now]
    vouch = [*mine, *ac] if quantity == "hertz" else mine
    moments = [c.from_at for c in mine]
    moments += [f.from_at for f in inputs.fittings if f.from_at is not None]
    moments += [
        r.at
        for r in inputs.records
        if r.kind == "part_changed"
        and any(word in str(r.facts.get("part", "")).lower() for word in PARTS[quantity])
    ]
    kept = tuple(p for p in points if (p.volts if quantity == "volts" else p.hertz) is not None)
    return _Of(
        quantity, channel, band, kept, any(c.fitting in fitted for c in vouch),
        tuple(sorted(set(moments))),
    )  # fmt: skip


def _measured(of: _Of, plate: Plate, outages: set[int], out: bool) -> Measured | None:
    """What the page says of one quantity; None where it was never read."""
    if not of.points:
        return None
    last = of.points[-1]
    value = of.value(last)
    assert value is not None
    electronic = of.quantity == "hertz" and plate.inverter
    enough = [p for p in of.points if of.n(p) >= ENOUGH]
    usual = [v for p in enough if (v := of.value(p)) is not None]
    like = supply.alike(
        [_point(of, p, outages) for p in enough], plate.rated_kw, supply.no_load_kw(plate)
    )
    drift, why_not = supply.drift(of.quantity, like, of.band)
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
        runs=len(of.points),
        supply=label(value, plate),
        out=out,
        checked=of.checked,
        not_judged=not_judged or ("" if of.n(last) >= ENOUGH else "too few samples"),
        drift=drift,
        drift_not_judged=why_not,
        points=tuple((p.start, v) for p in of.points[-POINTS_SHOWN:] if (v := of.value(p))),
    )


def _point(of: _Of, point: RunPoint, outages: set[int]) -> supply.Point:
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


def _wrong_volts(of: _Of) -> float | None:
    """The nominal that every run of this fitting ran at instead; None where none or not all did."""
    near = {supply.other_nominal(p.volts, of.band) for p in of.points if p.volts is not None}
    if len(near) != 1 or not any(p.volts_n >= 2 * ENOUGH for p in of.points):
        return None
    other = near.pop()
    if other is None or abs(other - of.band.nominal) < NOMINAL_OFF * of.band.nominal:
        return None
    return other


def _wrong_hertz(of: _Of, plate: Plate) -> float | None:
    near = {supply.other_hertz(p.hertz, plate.nominal_hz) for p in of.points if p.hertz is not None}
    return near.pop() if len(near) == 1 else None
