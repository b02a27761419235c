"""What is known of the battery that is in now: when it was fitted, its days and measured starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.model import Chemistry, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import epochs
from scheduler.assess.written import moment
from scheduler.day import Day
from scheduler.rules import battery
from scheduler.rules.battery import Crank, DayVolts

HEATED_C = 25.0
"""An engine this warm before a start is heated, or warm from a run: not the battery's warmth. Common
practice, no source."""


@dataclass(frozen=True, slots=True)
class Known:
    """The battery that is in now: fitted when, its chemistry, days and starts since.

    earlier: points of the days before it, which tell of the charger and of nothing else.
    """

    by: float
    chemistry: Chemistry
    fitted_at: int | None
    afresh: int
    days: list[Day]
    points: list[DayVolts]
    starts: list[Crank]
    one_line_from: int
    earlier: list[DayVolts]


def known_of(
    inputs: UnitInputs, days: Sequence[Day], demands: Sequence[StartDemand], now: int
) -> Known:
    """What is known of a starter battery before it is judged: since when it is in, its standing
    volts by day, and its measured starts in one stretch of device and calibration each.

    Gives: a record in volts per 12 V [V]. Definition.
    """
    by = battery.scale(inputs.unit.battery_nominal_v)
    fitted_at, chemistry = _fitted(inputs, now)
    afresh = fitted_at or 0
    cuts = epochs.cuts(inputs, "crank_min_v", now)
    air = {at: c for d in days if d.battery is not None for at, c in d.battery.cranks}
    starts = battery.measured(
        [_crank(d, by, cuts, air) for d in demands if d.crank_min_v is not None and d.at > afresh]
    )
    better = battery.afresh(starts)
    if better is not None:
        starts = [c for c in starts if c.at >= better]
        afresh = max(afresh, better)
    kept = [d for d in days if d.battery is not None and d.day * 86_400 >= afresh]
    return Known(
        by,
        chemistry,
        fitted_at,
        afresh,
        kept,
        [p for d in kept if (p := _point(d, by))],
        starts,
        epochs.line_from(inputs, "battery_v", now),
        [p for d in days if d.day * 86_400 < afresh and (p := _point(d, by))],
    )


def _fitted(inputs: UnitInputs, now: int) -> tuple[int | None, Chemistry]:
    """(when the battery was fitted, its chemistry), by the newest record of a change, else the
    register; what is to be fitted one day is not in yet."""
    zone, unit = inputs.site.time_zone, inputs.unit
    at, chemistry = moment(unit.battery_fitted, zone, False), unit.battery_chemistry
    at = None if at is None or at > now else at
    for record in sorted(inputs.records, key=lambda r: r.at):
        part = str(record.facts.get("part", "")).lower()
        if record.kind != "part_changed" or "battery" not in part or record.at > now:
            continue
        when = epochs.changed_at(record, zone)
        if when <= now and (at is None or when >= at):
            at, chemistry = when, record.facts.get("chemistry") or chemistry
    return at, chemistry


def _crank(demand: StartDemand, by: float, cuts: Sequence[int], air: dict[int, float]) -> Crank:
    """A measured start with the battery's warmth: the air's, else an unheated engine's."""
    temp = air.get(demand.at)
    if temp is None and demand.temp_c is not None and demand.temp_c < HEATED_C:
        temp = demand.temp_c
    return Crank(
        at=demand.at,
        v=(demand.crank_min_v or 0.0) / by,
        temp_c=temp,
        clean=demand.end in ("started", "by_hand") and demand.attempts <= 1,
        segment=sum(cut <= demand.at for cut in cuts),
    )


def _point(day: Day, by: float) -> DayVolts | None:
    one = day.battery
    if one is None or one.mid_v is None or one.low_v is None or one.high_v is None:
        return None
    return DayVolts(
        day=day.day,
        low_v=one.low_v / by,
        mid_v=one.mid_v / by,
        high_v=one.high_v / by,
        high_s=(one.high_at or 0) % 86_400,
        lifted=one.lifted,
        n=one.n,
    )
