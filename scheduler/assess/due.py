"""Work due of one unit, and since when."""

from __future__ import annotations

from datetime import date, time, timedelta

from fleet.calendar import day_bounds, instant, local_date
from fleet.model import DueItem
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import hours
from scheduler.rules import service


def due_items(inputs: UnitInputs, ledger: hours.Ledger, now: int) -> tuple[DueItem, ...]:
    """Every task of the unit's plan at `now` (UTC seconds); () where it has no plan.

    Gives: records in hours [h], dates and days [days]. Common practice, no source, as
    scheduler/rules/service.
    """
    if inputs.plan is None:
        return ()
    begun_at = _begun_at(inputs, ledger)
    zone = inputs.site.time_zone
    situation = service.Situation(
        unit=inputs.unit.id,
        zone=zone,
        now=now,
        hours_now_h=None if ledger.rough else ledger.now.hours_h,
        hours_at=ledger.at,
        begun_on=None if begun_at is None else local_date(begun_at, zone),
        begun_h=_begun_h(ledger, begun_at),
        last_service=_written_date(inputs.unit.last_service),
        last_service_h=_registered_h(inputs, ledger, now),
        make=inputs.unit.make,
        model=inputs.unit.model,
        fuel=inputs.unit.fuel,
        strict=strict(inputs, now),
        engine_hours=ledger.readings.engine_hours,
    )
    return service.due_items(inputs.plan, inputs.records, situation)


def _registered_h(inputs: UnitInputs, ledger: hours.Ledger, now: int) -> float | None:
    """Engine hours of the register's last service: as it gives them, else as they were read on that
    local day [h]."""
    on, zone = _written_date(inputs.unit.last_service), inputs.site.time_zone
    written = inputs.unit.last_service_hours
    if written is not None:
        noon = now if on is None else min(instant(on, time(12), zone), now)
        return ledger.readings.engine_hours(noon, written)
    read = [shown for at, shown in ledger.anchors if on is not None and local_date(at, zone) == on]
    return read[-1] if read else None


def strict(inputs: UnitInputs, now: int) -> bool:
    """Bound by a code or by the maker's warranty: its work has no tolerance
    (docs/engineering/service.md#tolerance).

    Gives: yes or no. Definition.
    """
    until = _written_date(inputs.unit.warranty_to)
    under = until is not None and local_date(now, inputs.site.time_zone) <= until
    return inputs.unit.nfpa_110 or under


def _begun_at(inputs: UnitInputs, ledger: hours.Ledger) -> int | None:
    """When the set began here: its first fitting, anchor or report, whichever came first."""
    moments = [f.from_at for f in inputs.fittings if f.from_at is not None]
    moments += [at for at, _ in ledger.anchors]
    if ledger.first_at is not None:
        moments.append(ledger.first_at)
    return min(moments, default=None)


def _begun_h(ledger: hours.Ledger, begun_at: int | None) -> float | None:
    """The first engine hours known [h]."""
    firsts = [moment for moment in (begun_at, ledger.first_at) if moment is not None]
    firsts += [at for at, _ in ledger.anchors[:1]]
    known = (ledger.at(moment) for moment in sorted(firsts))
    return next((value for value in known if value is not None), None)


def due_since(item: DueItem, inputs: UnitInputs, ledger: hours.Ledger, now: int) -> int:
    """When the work fell due, or soon: by the hours run, else by the local calendar.

    Gives: [UTC s]. Definition.
    """
    soon = item.state == "soon"
    if item.binds == "hours" and item.due_at_hours_h is not None:
        every = item.every_h or 0.0
        mark = item.due_at_hours_h - (every * (1 - service.SOON_HOURS_SHARE) if soon else 0.0)
        moment = ledger.when(mark)
        if moment is not None:
            return min(moment, now)
    if item.binds == "calendar" and item.due_on is not None:
        early = service.soon_days(item.every_months or 0) if soon else 0
        return min(_local_start(item.due_on, inputs, -early), now)
    if item.last_done_on is not None:
        return min(_local_start(item.last_done_on, inputs), now)
    return min(ledger.first_at or now, now)


def _local_start(day: str, inputs: UnitInputs, plus_days: int = 0) -> int:
    on = date.fromisoformat(day) + timedelta(days=plus_days)
    return day_bounds(on, inputs.site.time_zone)[0]


def _written_date(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text[:10]) if text else None
    except ValueError:
        return None
