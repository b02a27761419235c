"""The starter battery of one unit: what its days, starts and records say, and findings."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np

from fleet.calendar import DAY_S, day_bounds, local_date
from fleet.findings import row_of
from fleet.model import Charger, Finding, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.battery import findings
from scheduler.assess.battery.known import Known, known_of
from scheduler.assess.condition import Now
from scheduler.assess.habit import habit_of
from scheduler.assess.last_known import covers, newest
from scheduler.day import Day
from scheduler.rules import battery
from scheduler.rules.battery import (
    BatterySeen,
    BatteryTrend,
    ChargeLook,
    Count,
    Crank,
    CrankLook,
    DayVolts,
    Left,
    RestLook,
)

USUAL_DAYS = 30
"""Days that its usual volts are of. Common practice, no source."""
LEAST_USUAL = 5
"""Days with volts below which nothing is usual. Common practice, no source."""
SAG_DAYS = 60
"""Days whose rests tell how fast it sags. Common practice, no source."""
REST_DAYS = 30
"""A rest older than this says nothing of now. Common practice, no source."""
LOW_DAYS_LEFT = 21.0
"""Told only where the slowest sag of the interval runs out within what can be foretold too. Common
practice, no source."""
SELDOM_S, SELDOM_V = 2 * 3600, 0.2
"""Common practice, no source."""
NO_RISE_V = 0.1
"""A solar panel that lifts the battery by less than this on any day of a week does not charge it.
Common practice, no source."""


def look(
    inputs: UnitInputs, days: Sequence[Day], demands: Sequence[StartDemand], at: Now
) -> tuple[BatterySeen, tuple[Finding, ...]]:
    """(the starter battery, what is found of it) at `at.now`. demands: all known, rising."""
    known = known_of(inputs, days, demands, at.now)
    charge, before = _charge(inputs, known, at.now)
    rest = _rest(known, charge, at.now)
    charge = _left(known, charge, rest)
    cranking, fallen = battery.crank_look(known.starts, inputs.unit.battery_nominal_v)
    worn = battery.worn(known.starts, fallen)
    run = _after_run(known, at.now)
    one_line = [p for p in known.points if p.day * 86_400 >= known.one_line_from]
    failed = battery.failed_cell(one_line, run, known.by, known.chemistry != "lfp")
    value = newest(inputs, "battery_v", at.now)
    usual = _usual(before, known)
    seen = BatterySeen(
        nominal_v=inputs.unit.battery_nominal_v,
        chemistry=known.chemistry,
        fitted_at=known.fitted_at,
        age_days=None if known.fitted_at is None else (at.now - known.fitted_at) // 86_400,
        volts_v=None if value is None else round(value.value, 2),
        volts_at=None if value is None else value.at,
        usual_low_v=usual[0],
        usual_high_v=usual[1],
        checked=_checked(inputs, at.now),
        rest=rest,
        charge=charge,
        cranking=cranking,
        trend=_trend(known, fallen, charge.kind, inputs.unit.battery_nominal_v),
    )
    started = next((d.at for d in reversed(demands) if _answered(d) and d.at > known.afresh), None)
    stood = [p.mid_v * known.by for p in one_line]
    other = battery.other_nominal(stood, inputs.unit.battery_nominal_v)
    if other is not None:
        since = one_line[0].day * DAY_S
        unjudged = msgspec.structs.replace(
            seen,
            why="nominal",
            rest=RestLook(),
            charge=ChargeLook(),
            trend=None,
            cranking=CrankLook(),
        )
        return unjudged, (findings.wrong_nominal(seen, other, since, len(one_line)),)
    seen = battery.decide(seen, worn, failed, started, at.now)
    found = findings.of(inputs.unit, seen, failed, worn, _fell(before, known), at.now)
    if at.aside is not None:
        found = tuple(
            msgspec.structs.replace(f, severity="note")
            if row_of(f.facts).quiet.set_aside == "note"
            else f
            for f in found
        )
    return seen, found


def _answered(demand: StartDemand) -> bool:
    """It ran and the battery cranked it: a run by hand may have been pulled."""
    return demand.run_start is not None and demand.end in ("started", "not_seen")


def _charge(inputs: UnitInputs, known: Known, now: int) -> tuple[ChargeLook, list[DayVolts]]:
    """(how it is charged, the days before the fault, of which its usual volts are taken)."""
    carry = known.days[-1].carry if known.days else None
    under = _of_this_one(carry.battery.under if carry else None, known)
    over = _of_this_one(carry.battery.over if carry else None, known)
    since = min((c.since for c in (under, over) if c is not None), default=now)
    before = [p for p in known.points if p.day < since // 86_400]
    noon = _noon_s(inputs, now)
    learned = battery.learn(before, noon)
    for points in (known.points, known.earlier):
        learned = battery.learn(points, noon) if learned == "unknown" else learned
    asked = inputs.unit.charger
    kind: Charger = learned if asked == "unknown" else asked
    seen = ChargeLook(
        kind=kind,
        asked=asked,
        learned=learned,
        days=len(known.points),
        mains_seen=carry is not None and carry.mains is not None,
        reason="" if known.points else "not measured",
    )
    if over is not None and over.s >= battery.OVER_S:
        seen = msgspec.structs.replace(seen, fault="over", fault_since=over.since)
    elif under is not None and _not_charged(kind, known, before, under.s, _seldom(inputs, known)):
        seen = msgspec.structs.replace(seen, fault="low", fault_since=under.since)
    low, high = _usual(before or known.points, known)
    return msgspec.structs.replace(seen, usual_low_v=low, usual_high_v=high), before or known.points


def _of_this_one(count: Count | None, known: Known) -> Count | None:
    """A limit exceeded, counted from when the battery that is in now was fitted."""
    if count is None or count.since >= known.afresh:
        return count
    watched = max(0, min(count.s, count.at - known.afresh))
    return msgspec.structs.replace(count, since=known.afresh, s=watched)


def _not_charged(
    kind: Charger,
    known: Known,
    before: Sequence[DayVolts],
    under_s: int,
    seldom: bool,
) -> bool:
    """Under 13.0 V for as long as its kind of charger never leaves it.

    A charger that works once a day may fall between seldom reports for weeks: its set must then
    lie under its own usual lowest volts too.
    """
    if kind in ("none", "unknown") or under_s < 86_400 * battery.allowed_days(kind, before):
        return False
    if kind == "on_off" and seldom:
        usual_low, _ = _usual(before, known)
        newest_v = known.points[-1].high_v
        return usual_low is not None and newest_v < usual_low / known.by - SELDOM_V
    week = known.points[-7:]
    return kind != "solar" or (len(week) == 7 and all(p.high_v - p.low_v < NO_RISE_V for p in week))


def _seldom(inputs: UnitInputs, known: Known) -> bool:
    """Whether its device reports less often than a charger's turn lasts."""
    reports = habit_of(inputs, known.days)
    return reports.mode != "on_change" and reports.standing_s > SELDOM_S


def _noon_s(inputs: UnitInputs, now: int) -> int:
    """Noon at the site as a second of the UTC day."""
    if inputs.site.lon is not None:
        return round(43_200 - inputs.site.lon * 240) % 86_400
    zone = inputs.site.time_zone
    return (day_bounds(local_date(now, zone), zone)[0] + 43_200) % 86_400


def _usual(points: Sequence[DayVolts], known: Known) -> tuple[float | None, float | None]:
    """The usual range of this unit's battery, standing [V], as its device measures it now."""
    past = [p for p in points[-USUAL_DAYS:] if p.day * 86_400 >= known.one_line_from]
    if len(past) < LEAST_USUAL:
        return None, None
    low = float(np.percentile([p.low_v for p in past], 5))
    high = float(np.percentile([p.high_v for p in past], 95))
    return round(low * known.by, 2), round(high * known.by, 2)


def _fell(before: Sequence[DayVolts], known: Known) -> float | None:
    """How far the newest days lie under what was usual, in one stretch of calibration, per 12 V."""
    cut = known.one_line_from
    usual = [p.mid_v for p in before[-USUAL_DAYS:] if p.day * 86_400 >= cut]
    if len(usual) < LEAST_USUAL or not known.points:
        return None
    return float(np.median(usual)) - float(np.median([p.mid_v for p in known.points[-2:]]))


def _rest(known: Known, charge: ChargeLook, now: int) -> RestLook:
    """The newest rest of a battery that is not on charge."""
    if not known.points:
        return RestLook(reason="not measured")
    least = battery.REST_S[known.chemistry]
    for day in reversed(known.days):
        rest = day.battery.rest if day.battery else None
        if rest is None or rest.rested_s < least or now - rest.at > REST_DAYS * 86_400:
            continue
        if rest.at < known.one_line_from:
            break
        if charge.kind in battery.CHARGERS and charge.fault != "low" and rest.mains != 0:
            continue
        pct = battery.charge_pct(rest.v / known.by, 12.0, known.chemistry)
        return RestLook(
            at=rest.at,
            volts_v=round(rest.v, 2),
            rested_s=rest.rested_s,
            charge_pct=None if pct is None else round(pct, 1),
        )
    if charge.kind in battery.CHARGERS:
        return RestLook(reason="it is on charge")
    return RestLook(reason=f"no rest of {least // 3600} h seen")


def _left(known: Known, charge: ChargeLook, rest: RestLook) -> ChargeLook:
    """With the days until it may not crank, where nothing charges it."""
    limit = battery.rested_v(battery.CRANKS_FROM, 12.0, known.chemistry)
    if limit is None or rest.at is None or not (charge.kind == "none" or charge.fault == "low"):
        return charge
    last = known.days[-1].day
    rests = [
        d.battery.rest
        for d in known.days
        if d.battery
        and d.battery.rest
        and d.day > last - SAG_DAYS
        and d.battery.rest.rested_s >= battery.REST_S[known.chemistry]
        and d.battery.rest.at >= known.one_line_from
    ]
    found = battery.days_left(
        [r.at / 86_400 for r in rests],
        [r.v / known.by for r in rests],
        [r.at - r.rested_s for r in rests],
        limit,
    )
    if found is None:
        return charge
    charge = _with_left(charge, found)
    low = found.days is not None and found.days <= LOW_DAYS_LEFT and found.high is not None
    if not charge.fault and low:
        charge = msgspec.structs.replace(
            charge, fault="running_down", fault_since=rests[-1].at - rests[-1].rested_s
        )
    return charge


def _with_left(charge: ChargeLook, left: Left) -> ChargeLook:
    days, low, high = (None if d is None else round(d, 1) for d in (left.days, left.low, left.high))
    return msgspec.structs.replace(charge, days_left=days, days_left_low=low, days_left_high=high)


def _after_run(known: Known, now: int) -> battery.AfterRun | None:
    """The newest long run with volts after it, of the last 60 days; of this battery and device."""
    for day in reversed(known.days):
        if now - day.day * 86_400 > SAG_DAYS * 86_400:
            return None
        if day.battery is not None and (run := day.battery.after_run) is not None:
            return run if run.end >= max(known.afresh, known.one_line_from) else None
    return None


def _trend(
    known: Known, fallen: float | None, kind: Charger, nominal_v: float
) -> BatteryTrend | None:
    """Of cranking volts; of a set without a charger whose starts are not measured, of its rest."""
    if known.starts:
        return battery.fall(battery.weekly(known.starts), "cranking", fallen, nominal_v)
    half = battery.rested_v(battery.HALF_PCT, 12.0, known.chemistry)
    if kind != "none" or half is None:
        return None
    rests = [
        Crank(at=r.at, v=r.v / known.by)
        for d in known.days
        if d.battery
        and (r := d.battery.rest)
        and r.rested_s >= battery.REST_S[known.chemistry]
        and r.at >= known.one_line_from
    ]
    weeks = [(at, m + battery.crank_limit_v(None) - half, s) for at, m, s in battery.weekly(rests)]
    return battery.fall(weeks, "rest", None, nominal_v)


def _checked(inputs: UnitInputs, now: int) -> bool:
    """A meter has been on the battery's volts since the device that speaks now was fitted."""
    fitted = {f.id for f in inputs.fittings if covers(f.from_at, f.to_at, now)}
    return any(
        c.channel == "battery_v" and c.fitting in fitted and c.meter and c.from_at <= now
        for c in inputs.calibrations
    )
