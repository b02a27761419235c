"""Fuel of one unit: level, how long it lasts, and whether that is less than agreed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

import msgspec

from fleet.findings.fuel import FuelLow
from fleet.model import Evidence, Finding, Record, Run, Unit
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import epochs
from scheduler.assess.condition import Now
from scheduler.assess.last_known import newest
from scheduler.day import Day
from scheduler.rules import fuel
from scheduler.rules.fuel import FuelSeen, Knot, Rate, Refill, Usable
from scheduler.rules.fuel.chart import EFFICIENCY

AGREED_H = {"life": 24.0, "business": 12.0, "home": 8.0}
"""Hours of fuel wanted at half load where nothing was agreed, and at most a quarter of what a full
tank gives. Common practice, no source."""
FULL_SHARE = 0.25
LOW_SHARE = 0.10
"""Low at a tenth of what can be burnt, whatever the hours. Common practice, no source."""
TREND_PCT, TREND_H = 5.0, 2.0
"""Its own fall counts from 5 points and 2 h of running since the newest refill. Common practice, no
source."""
LASTING_S = 60
"""A limit must have held so long. Common practice, no source."""


def look(
    inputs: UnitInputs, days: Sequence[Day], runs: Sequence[Run], at: Now
) -> tuple[FuelSeen, tuple[Finding, ...]]:
    """(the fuel now, `fuel_low` where it is) at `at.now`. runs: all known, rising."""
    unit = inputs.unit
    if unit.fuel == "natural_gas":
        return FuelSeen(by="supplied"), ()
    knots = [knot for day in days for knot in day.fuel]
    carry = days[-1].carry.fuel if days else None
    if carry is None or carry.level is None or carry.at is None or not knots:
        return FuelSeen(reason="its level is not measured"), ()
    can = fuel.usable(unit.fuel)
    refill = fuel.newest_refill(knots)
    seen = FuelSeen(
        level_pct=round(carry.level, 1),
        at=carry.at,
        left_share=round(can.share(carry.level), 3),
        litres_l=None if unit.tank_l is None else round(can.litres(carry.level, unit.tank_l), 1),
        refill_at=None if refill is None else refill[0],
    )
    seen = _lasting(inputs, runs, knots, refill, seen, at)
    low = None if at.aside is not None else _low(unit, knots, can, seen)
    return seen, () if low is None else (low,)


def _lasting(
    inputs: UnitInputs,
    runs: Sequence[Run],
    knots: Sequence[Knot],
    refill: Refill | None,
    seen: FuelSeen,
    at: Now,
) -> FuelSeen:
    """How long it lasts: by the nameplate, else by its own fall."""
    unit = inputs.unit
    can, level = fuel.usable(unit.fuel), seen.level_pct or 0.0
    load_share, at_load = _load(inputs, at)
    burnt = fuel.rate(unit.fuel, unit.rated_kw, load_share)
    if isinstance(burnt, Rate) and unit.tank_l:
        factor = _correction(inputs, runs, knots)
        l_per_h = burnt.high_l_per_h * (factor or 1.0)
        found = msgspec.structs.replace(
            seen,
            hours_h=can.litres(level, unit.tank_l) / l_per_h,
            load_share=load_share,
            at_load=at_load,
            l_per_h=round(l_per_h, 3),
            by=burnt.by,
            engine=EFFICIENCY[0] if burnt.by == "energy" else None,
            factor=factor,
        )
        return _agreed(unit, can.litres(can.full, unit.tank_l) / l_per_h, found)
    reason = burnt.reason if not isinstance(burnt, Rate) else "the register names no tank"
    own = [knot for knot in knots if knot[0] >= epochs.fitted_from(inputs, at.now)]
    trend = None if unit.fuel == "dual" else _fall(runs, own, refill, seen)
    if trend is None:
        return msgspec.structs.replace(seen, reason=reason)
    begun, fall = trend
    hours = max(0.0, level - can.floor) / fall
    found = msgspec.structs.replace(
        seen, hours_h=hours, by="trend", reason=reason, trend_from=begun
    )
    return _agreed(unit, (can.full - can.floor) / fall, found)


def _agreed(unit: Unit, full_h: float, seen: FuelSeen) -> FuelSeen:
    """With the hours wanted; full_h: how long a full tank lasts [h]."""
    wanted = unit.fuel_hours
    hours = min(AGREED_H[unit.criticality], FULL_SHARE * full_h) if wanted is None else wanted
    return msgspec.structs.replace(
        seen,
        hours_h=round(seen.hours_h or 0.0, 2),
        agreed_h=round(hours, 2),
        agreed=wanted is not None,
    )


def _load(inputs: UnitInputs, at: Now) -> tuple[float, Literal["half", "now"]]:
    """The share of the rating a running set carries now, where it is measured; else half."""
    run, rated = at.run, inputs.unit.rated_kw
    if run is None or run.end is not None or not rated or at.silent:
        return fuel.HALF, "half"
    load = newest(inputs, "load_kw", at.now)
    if load is None or load.at < run.start:
        return fuel.HALF, "half"
    share = min(load.value / rated, fuel.OVERLOAD_SHARE)
    return (share, "now") if share >= fuel.NO_LOAD_SHARE else (fuel.HALF, "half")


def _fall(
    runs: Sequence[Run], knots: Sequence[Knot], refill: Refill | None, seen: FuelSeen
) -> tuple[int, float] | None:
    """(since when, points an hour of running); None: too little to say. knots: of the device that
    speaks now; since the newest refill it saw, else since its first."""
    if not knots:
        return None
    seen_filled = refill is not None and refill[0] >= knots[0][0]
    begun, high = (refill[0], refill[2]) if refill is not None and seen_filled else knots[0]
    fallen = high - (seen.level_pct or 0.0)
    ran_h = _ran_s(runs, begun, seen.at or begun) / 3600
    return (begun, fallen / ran_h) if fallen >= TREND_PCT and ran_h >= TREND_H else None


def _ran_s(runs: Sequence[Run], start: int, end: int) -> int:
    return sum(
        max(0, min(run.last_on_at if run.end is None else run.end, end) - max(run.start, start))
        for run in runs
    )


def _correction(inputs: UnitInputs, runs: Sequence[Run], knots: Sequence[Knot]) -> float | None:
    """What the unit's own refuels, in litres, say of the chart."""
    poured = [r for r in inputs.records if r.kind == "refuel" and _litres(r) is not None]
    spans = []
    for before, after in pairwise(sorted(poured, key=lambda r: r.at)):
        reckoned, hours = _reckoned(inputs.unit, runs, before.at, after.at)
        burnt = (_litres(after) or 0.0) + _risen(knots, before.at, after.at, inputs.unit.tank_l)
        spans.append((burnt, reckoned, hours))
    factor = fuel.correction(spans)
    return None if factor is None else round(factor, 3)


def _litres(record: Record) -> float | None:
    value = record.facts.get("litres")
    return float(value) if isinstance(value, int | float) else None


def _reckoned(unit: Unit, runs: Sequence[Run], start: int, end: int) -> tuple[float, float]:
    """(litres the chart reckons, hours) of the runs in between whose load was measured."""
    litres = hours = 0.0
    for run in runs:
        if not start < run.start < end or run.end is None or not run.energy_kwh:
            continue
        ran_h = (run.end - run.start) / 3600
        if ran_h <= 0 or not unit.rated_kw:
            continue
        burnt = fuel.rate(unit.fuel, unit.rated_kw, run.energy_kwh / ran_h / unit.rated_kw)
        if isinstance(burnt, Rate):
            litres += burnt.l_per_h * ran_h
            hours += ran_h
    return litres, hours


def _risen(knots: Sequence[Knot], before: int, after: int, tank_l: float | None) -> float:
    """Litres by which the tank stood higher after the earlier refuel than after the later one.

    Without a level both are taken as filled to the same mark."""
    levels = [_level_after(knots, at) for at in (before, after)]
    if tank_l is None or levels[0] is None or levels[1] is None:
        return 0.0
    return (levels[0] - levels[1]) / 100 * tank_l


def _level_after(knots: Sequence[Knot], at: int) -> float | None:
    """The highest level within three hours of a refuel, else the one in force then."""
    near = [level for t, level in knots if at <= t <= at + 3 * 3600]
    before = [level for t, level in knots if t <= at]
    return max(near) if near else before[-1] if before else None


def _low(unit: Unit, knots: Sequence[Knot], can: Usable, seen: FuelSeen) -> Finding | None:
    """Less than agreed, or a tenth of what can be burnt, lasting: a second reading says so too."""
    limit = can.floor + LOW_SHARE * (can.full - can.floor)
    if seen.hours_h and seen.agreed_h and seen.level_pct is not None:
        per_h = (seen.level_pct - can.floor) / seen.hours_h
        limit = max(limit, can.floor + seen.agreed_h * per_h)
    since = fuel.below_since(knots, limit)
    if since is None or seen.at is None or seen.at - since < LASTING_S:
        return None
    return Finding(
        severity="note" if unit.fuel == "dual" else "same_day",
        since=since,
        facts=FuelLow(
            level_pct=seen.level_pct or 0.0,
            limit_pct=round(limit, 1),
            hours_h=seen.hours_h,
            agreed_h=seen.agreed_h,
            agreed=seen.agreed,
            load_share=seen.load_share,
            at_load=seen.at_load if seen.load_share is not None else None,
            by=seen.by or None,
            trend_from=seen.trend_from,
            filled=seen.trend_from == seen.refill_at if seen.trend_from is not None else None,
            litres_l=seen.litres_l,
            engine=seen.engine,
            at=seen.at,
            dual=unit.fuel == "dual",
        ),
        evidence=Evidence(
            channels=("fuel_pct",), from_at=since, to_at=seen.at, note="smoothed level"
        ),
    )
