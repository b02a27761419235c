"""What watch and history read of one unit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.findings import decoder
from fleet.model import (
    Calibration,
    Customer,
    DeviceEvent,
    Episode,
    Finding,
    Fitting,
    Pulse,
    Record,
    ServicePlan,
    Site,
    Step,
    Unit,
)
from fleet.registry import tables as t
from fleet.registry.engine import Registry
from fleet.registry.types import DayRow, UnitInputs

decode_unit = msgspec.json.Decoder(Unit).decode
decode_site = msgspec.json.Decoder(Site).decode
decode_customer = msgspec.json.Decoder(Customer).decode
decode_record = msgspec.json.Decoder(Record).decode
_plan = msgspec.json.Decoder(ServicePlan).decode
_pulse = msgspec.json.Decoder(Pulse).decode
_calibration = msgspec.json.Decoder(Calibration).decode
_event = msgspec.json.Decoder(DeviceEvent).decode
_finding = decoder(Finding)
_step = decoder(Step)


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
        unit=decode_unit(row.doc),
        site=decode_site(row.site),
        customer=decode_customer(row.customer),
        fittings=fittings,
        calibrations=_calibrations(connection, unit),
        records=standing_records(connection, unit),
        plan=_plan(row.plan) if row.plan else None,
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
    return tuple(decode_record(doc) for doc in docs)


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
    return [msgspec.structs.replace(_event(row.doc), received_at=row.received_at) for row in rows]


def days(reg: Registry, unit: str, from_day: int, to_day: int) -> list[DayRow]:
    """Stored days of a unit with from_day <= day < to_day, rising."""
    asked = {"unit": unit, "from_day": from_day, "to_day": to_day}
    with reg.read() as connection:
        rows = connection.execute(_DAYS, asked).all()
    return [
        DayRow(unit=unit, day=day, fingerprint=fingerprint, carry_in=carry_in, doc=doc)
        for day, fingerprint, carry_in, doc in rows
    ]


def day_before(reg: Registry, unit: str, day: int) -> DayRow | None:
    """The nearest stored day before `day`, or None."""
    with reg.read() as connection:
        row = connection.execute(_DAY_BEFORE, {"unit": unit, "day": day}).first()
    return None if row is None else day_of(row)


def day_of(row: Any) -> DayRow:
    """A row of the table as a DayRow."""
    return DayRow(
        unit=row.unit, day=row.day, fingerprint=row.fingerprint, carry_in=row.carry_in, doc=row.doc
    )


class UsageRow(msgspec.Struct, frozen=True):
    """How a unit was used, as its summary says (see `UnitSummary`)."""

    other_runs: tuple[tuple[int, float, float], ...] = ()
    other_hours_h: tuple[float, ...] = ()


def area_usage(reg: Registry, area: str) -> list[UsageRow]:
    """How the units of an area were used: at most 2,000 of them, in the order of their ids."""
    decode = msgspec.json.Decoder(UsageRow).decode
    query = (
        sa.select(t.summary.c.doc)
        .join(t.unit, t.unit.c.id == t.summary.c.unit)
        .where(t.unit.c.area == area)
        .order_by(t.summary.c.unit)
        .limit(2_000)
    )
    with reg.read() as connection:
        return [decode(doc) for doc in connection.execute(query).scalars()]


def open_episodes(reg: Registry, subjects: Iterable[str]) -> list[Episode]:
    """Open episodes of these subjects (`unit:ID`, `device:ID`, ...), with all their steps."""
    with reg.read() as connection:
        rows = connection.execute(_OPEN, {"subjects": list(subjects)}).all()
        return episodes_of(connection, rows)


def episodes_of(connection: sa.Connection, rows: Iterable[Any]) -> list[Episode]:
    """Rows of the table as Episodes with their steps, in the order given."""
    found = list(rows)
    steps: dict[str, list[Step]] = defaultdict(list)
    if found:
        for row in connection.execute(_STEPS, {"episodes": [row.id for row in found]}):
            steps[row.episode].append(_step(row.doc))
    return [
        Episode(
            id=row.id,
            subject=row.subject,
            kind=row.kind,
            part=row.part,
            severity=row.severity,
            opened_at=row.opened_at,
            closed_at=row.closed_at,
            acknowledged_at=row.acknowledged_at,
            finding=_finding(row.doc),
            steps=tuple(steps[row.id]),
        )
        for row in found
    ]


def _calibrations(connection: sa.Connection, unit: str) -> tuple[Calibration, ...]:
    """Those in effect on a fitting of the unit, in time order."""
    rows = connection.execute(_CALIBRATIONS, {"unit": unit}).all()
    return tuple(msgspec.structs.replace(_calibration(r.doc), fitting=r.fitting) for r in rows)


def _pulses(connection: sa.Connection, devices: list[str]) -> tuple[Pulse, ...]:
    if not devices:
        return ()
    docs = connection.execute(_PULSES, {"devices": devices}).scalars()
    return tuple(_pulse(doc) for doc in docs)


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
_DAYS = (
    sa.select(t.day.c.day, t.day.c.fingerprint, t.day.c.carry_in, t.day.c.doc)
    .where(
        t.day.c.unit == _ASKED,
        t.day.c.day >= sa.bindparam("from_day"),
        t.day.c.day < sa.bindparam("to_day"),
    )
    .order_by(t.day.c.day)
)
_OPEN = (
    sa.select(t.episode)
    .where(
        t.episode.c.subject.in_(sa.bindparam("subjects", expanding=True)),
        t.episode.c.closed_at.is_(None),
    )
    .order_by(t.episode.c.opened_at, t.episode.c.id)
)
_STEPS = (
    sa.select(t.step)
    .where(t.step.c.episode.in_(sa.bindparam("episodes", expanding=True)))
    .order_by(t.step.c.episode, t.step.c.n)
)
_DAY_BEFORE = (
    sa.select(t.day)
    .where(t.day.c.unit == _ASKED, t.day.c.day < sa.bindparam("day"))
    .order_by(t.day.c.day.desc())
    .limit(1)
)
_EVENTS = in_event_order(
    sa.select(t.device_event).where(
        t.device_event.c.device == sa.bindparam("device"),
        t.device_event.c.at >= sa.bindparam("start"),
        t.device_event.c.at < sa.bindparam("end"),
    )
)
