"""What is known of one unit: its facts, as watch and history read them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import (
    Calibration,
    DeviceEvent,
    Fitting,
    Pulse,
    Record,
)
from fleet.registry.base import documents
from fleet.registry.base import tables as t
from fleet.registry.base.engine import Registry
from fleet.registry.facts.rows import UnitInputs


def unit_inputs(reg: Registry, unit: str) -> UnitInputs | None:
    """All facts about a unit but its telemetry and device events; None where it is unknown."""
    with reg.read() as connection:
        return inputs_of(connection, unit)


def inputs_of(connection: sa.Connection, unit: str) -> UnitInputs | None:
    """The same in the caller's transaction."""
    row = connection.execute(_UNIT, {"unit": unit}).first()
    if row is None:
        return None
    fittings = fittings_of(connection, unit)
    return UnitInputs(
        unit=documents.unit(row.doc),
        site=documents.site(row.site),
        customer=documents.customer(row.customer),
        fittings=fittings,
        calibrations=_calibrations(connection, unit),
        records=standing_records(connection, unit),
        plan=documents.plan(row.plan) if row.plan else None,
        pulses=_pulses(connection, [f.device for f in fittings if f.to_at is None]),
        facts_seq=row.facts_seq,
        unsure=_unsure(connection, {f.device for f in fittings}),
    )


def fittings_of(connection: sa.Connection, unit: str) -> tuple[Fitting, ...]:
    """The unit's fittings, oldest first; they never overlap."""
    rows = connection.execute(_FITTINGS, {"unit": unit}).all()
    found = (
        Fitting(
            id=r.id, device=r.device, unit=r.unit, from_at=r.from_at, to_at=r.to_at, by=r.said_by
        )
        for r in rows
    )
    return tuple(sorted(found, key=lambda f: (f.from_at is not None, f.from_at or 0)))


def standing_records(connection: sa.Connection, unit: str) -> tuple[Record, ...]:
    """Records of the unit that no other record corrects, in time order."""
    docs = connection.execute(_STANDING, {"unit": unit}).scalars()
    return tuple(documents.record(doc) for doc in docs)


def events(reg: Registry, device: str, start: int, end: int) -> list[DeviceEvent]:
    """A device's events with start <= at < end, in time order."""
    asked = {"device": device, "start": start, "end": end}
    with reg.read() as connection:
        return events_of(connection.execute(_EVENTS, asked).all())


def in_event_order(query: sa.Select[Any]) -> sa.Select[Any]:
    """By time, then by event and channel, so that equal times have one order."""
    c = t.device_event.c
    return query.order_by(c.at, c.event, c.channel, c.device)


def events_of(rows: Iterable[Any]) -> list[DeviceEvent]:
    """Decoded rows of device_event."""
    return [
        msgspec.structs.replace(documents.device_event(row.doc), received_at=row.received_at)
        for row in rows
    ]


def _calibrations(connection: sa.Connection, unit: str) -> tuple[Calibration, ...]:
    """Those in effect on a fitting of the unit, in time order."""
    rows = connection.execute(_CALIBRATIONS, {"unit": unit}).all()
    return tuple(
        msgspec.structs.replace(documents.calibration(r.doc), fitting=r.fitting) for r in rows
    )


def _pulses(connection: sa.Connection, devices: list[str]) -> tuple[Pulse, ...]:
    if not devices:
        return ()
    docs = connection.execute(_PULSES, {"devices": devices}).scalars()
    return tuple(documents.pulse(doc) for doc in docs)


def _unsure(connection: sa.Connection, devices: set[str]) -> dict[str, tuple[int, ...]]:
    if not devices:
        return {}
    found: dict[str, list[int]] = {}
    for device, at in connection.execute(_UNSURE, {"devices": sorted(devices)}):
        found.setdefault(device, []).append(at)
    return {device: tuple(ats) for device, ats in found.items()}


# Statements asked for every unit of a turn, made once: building them costs more than running them.

_ASKED: sa.BindParameter[str] = sa.bindparam("unit")
_NEWER = t.record.alias("newer")

_UNIT = (
    sa.select(
        t.unit.c.doc,
        t.unit.c.facts_seq,
        t.site.c.doc.label("site"),
        t.customer.c.doc.label("customer"),
        t.plan.c.doc.label("plan"),
    )
    .select_from(
        t.unit.join(t.site, t.site.c.id == t.unit.c.site)
        .join(t.customer, t.customer.c.id == t.unit.c.customer)
        .outerjoin(t.plan, t.plan.c.id == t.unit.c.plan)
    )
    .where(t.unit.c.id == _ASKED)
)
_FITTINGS = sa.select(t.fitting).where(t.fitting.c.unit == _ASKED)
_STANDING = (
    sa.select(t.record.c.doc)
    .where(
        t.record.c.unit == _ASKED,
        ~sa.exists(sa.select(_NEWER.c.id).where(_NEWER.c.corrects == t.record.c.id)),
    )
    .order_by(t.record.c.at, t.record.c.id)
)
_CALIBRATIONS = (
    sa.select(t.calibration)
    .where(t.calibration.c.unit == _ASKED, t.calibration.c.fitting.is_not(None))
    .order_by(t.calibration.c.from_at, t.calibration.c.id)
)
_PULSES = (
    sa.select(t.pulse.c.doc)
    .where(t.pulse.c.device.in_(sa.bindparam("devices", expanding=True)))
    .order_by(t.pulse.c.device)
)
_UNSURE = (
    sa.select(t.unsure.c.device, t.unsure.c.at)
    .where(t.unsure.c.device.in_(sa.bindparam("devices", expanding=True)))
    .order_by(t.unsure.c.device, t.unsure.c.at)
)
_EVENTS = in_event_order(
    sa.select(t.device_event).where(
        t.device_event.c.device == sa.bindparam("device"),
        t.device_event.c.at >= sa.bindparam("start"),
        t.device_event.c.at < sa.bindparam("end"),
    )
)


def taken_on(reg: Registry, unit: str) -> int | None:
    """When a device was first said to speak for a unit (UTC seconds): when the firm took it on; None
    where none ever was."""
    c = t.claim.c
    with reg.read() as connection:
        found = connection.execute(
            sa.select(sa.func.min(c.said_at)).where(c.unit == unit)
        ).scalar_one()
    return None if found is None else int(found)
