"""What ingest writes and asks: pulses, events, quarantine, receipts, inbox marks."""

from __future__ import annotations

from functools import cache
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.dialects import sqlite

from fleet.calendar import DAY_S
from fleet.model import Habit
from fleet.registry.base import documents
from fleet.registry.base import tables as t
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import (
    bump,
    counted,
    insert,
    insert_of,
    new_token,
    run_many,
    upsert,
)
from fleet.registry.derived.touches import touch_upsert
from fleet.registry.facts.quarantine import tidy_quarantine, write_quarantine
from fleet.registry.facts.receipts import write_receipts
from fleet.registry.facts.rows import DeviceFacts, InboxMark, PulseBatch

UNREGISTERED_AT_MOST = 1_000
RECEIPTS_KEPT_S = 49 * 3600
"""Limits of docs/engineering/ingest.md#limits; receipts an hour longer than they are asked for. A
bound of ours."""
TIDY_EVERY_S = 3_600
"""Between two tidyings. A pace of ours."""
FIRST_GROUP = "main"

_mark = documents.decoder(InboxMark)


class _HabitOf(msgspec.Struct):
    habit: Habit | None = None


_habit = documents.decoder(_HabitOf)


def facts_version(reg: Registry) -> int:
    """A counter raised by every change of register, fittings and records. Raises RegistryDown."""
    with reg.read() as connection:
        return counted(connection, "facts_version")


def device_facts(reg: Registry) -> dict[str, DeviceFacts]:
    """Every device known, registered or only heard, with what ingest must know of it."""
    with reg.read() as connection:
        rows = connection.execute(FACTS_QUERY).all()
    return {row.id: facts_of(row) for row in rows}


def facts_of(row: Any) -> DeviceFacts:
    """DeviceFacts of a row with id, grp, registered, profile, unit, unit_doc, zone, pulse_doc."""
    return DeviceFacts(
        device=row.id,
        group=row.grp or FIRST_GROUP,
        zone=row.zone or "UTC",
        registered=bool(row.registered),
        profile=row.profile,
        habit=_habit(row.unit_doc).habit if row.unit_doc else None,
        unit=row.unit,
        pulse=documents.pulse(row.pulse_doc) if row.pulse_doc else None,
    )


_COLUMNS = (
    t.device.c.id,
    t.device.c.grp,
    t.device.c.registered,
    t.device.c.profile,
    t.fitting.c.unit,
    t.unit.c.doc.label("unit_doc"),
    t.site.c.zone,
    t.pulse.c.doc.label("pulse_doc"),
)
_OPEN_FITTING = sa.and_(t.fitting.c.device == t.device.c.id, t.fitting.c.to_at.is_(None))
FACTS_QUERY = sa.select(*_COLUMNS).select_from(
    t.device.outerjoin(t.fitting, _OPEN_FITTING)
    .outerjoin(t.unit, t.unit.c.id == t.fitting.c.unit)
    .outerjoin(t.site, t.site.c.id == t.unit.c.site)
    .outerjoin(t.pulse, t.pulse.c.device == t.device.c.id)
)


def pulse(reg: Registry, batch: PulseBatch) -> None:
    """Write a batch of ingest in one transaction; writing it again changes nothing but touches.

    Devices beyond 1,000 unregistered ones are ignored and counted. Raises RegistryDown: nothing
    of the batch was written, so nothing of it may be acknowledged.
    """
    with reg.write() as connection:
        admitted, ignored = _admit(reg, connection, batch)
        _write_pulses(connection, batch, ignored)
        _write_touches(connection, batch, ignored)
        if batch.events:
            _write_events(connection, batch, ignored)
        if batch.quarantined:
            write_quarantine(connection, batch.quarantined)
        if batch.receipts:
            write_receipts(connection, batch.receipts)
        if batch.inbox is not None:
            row = {"file": batch.inbox.file, "doc": documents.encode(batch.inbox)}
            connection.execute(upsert(reg.dialect, t.inbox), row)
        tidied = _tidy(reg, connection, batch.now)
    reg.known_devices.update(admitted)
    if tidied:
        reg.tidied["intake"] = batch.now


def inbox_marks(reg: Registry) -> dict[str, InboxMark]:
    """How far each file of the inbox has been taken, by file name."""
    with reg.read() as connection:
        return marks_of(connection)


def marks_of(connection: sa.Connection) -> dict[str, InboxMark]:
    """The same in the caller's transaction."""
    rows = connection.execute(sa.select(t.inbox).order_by(t.inbox.c.file)).all()
    return {row.file: _mark(row.doc) for row in rows}


def _admit(
    reg: Registry, connection: sa.Connection, batch: PulseBatch
) -> tuple[dict[str, str], set[str]]:
    """Devices to remember with their group, and those to ignore."""
    known = reg.known_devices
    if not known:
        rows = connection.execute(sa.select(t.device.c.id, t.device.c.grp))
        known = reg.known_devices = {row.id: row.grp for row in rows}
    named = {p.device for p in batch.pulses} | batch.touched.keys()
    named.update(batch.groups, (e.device for e in batch.events))
    groups = batch.groups
    fresh = sorted(d for d in named if d not in known or groups.get(d, known[d]) != known[d])
    if not fresh:
        return {}, set()
    query = sa.select(t.device.c.id, t.device.c.grp).where(t.device.c.id.in_(fresh))
    stored = {row.id: row.grp for row in connection.execute(query)}
    unregistered = sa.select(sa.func.count()).where(t.device.c.registered.is_(False))
    room = UNREGISTERED_AT_MOST - int(connection.execute(unregistered).scalar_one())
    new = [d for d in fresh if d not in stored]
    ignored = set(new[max(room, 0) :])
    if ignored:
        bump(connection, "devices_ignored", len(ignored))
    admitted = {d: groups.get(d, stored.get(d, FIRST_GROUP)) for d in fresh if d not in ignored}
    if admitted:
        seen = [{"id": d, "grp": g, "now": batch.now} for d, g in admitted.items()]
        connection.execute(_device_upsert(reg.dialect), seen)
    return admitted, ignored


@cache
def _device_upsert(dialect: str) -> sqlite.Insert:
    """A device just heard. The group of its topic holds, but where the office gave it one."""
    values = {"id": sa.bindparam("id"), "grp": sa.bindparam("grp"), "registered": False}
    statement = insert_of(dialect, t.device).values(
        **values, profile="", first_at=sa.bindparam("now")
    )
    settled = sa.and_(t.device.c.registered, t.device.c.grp != "")
    return statement.on_conflict_do_update(
        index_elements=["id"],
        set_={"grp": sa.case((settled, t.device.c.grp), else_=statement.excluded.grp)},
    )


def _write_pulses(connection: sa.Connection, batch: PulseBatch, ignored: set[str]) -> None:
    rows = [
        (p.device, p.heard_at, p.newest_at, documents.encode(p))
        for p in batch.pulses
        if p.device not in ignored
    ]
    if rows:
        run_many(connection, upsert(connection.dialect.name, t.pulse), rows)


def _write_touches(connection: sa.Connection, batch: PulseBatch, ignored: set[str]) -> None:
    days = batch.touched
    urgent: set[str] = set()
    if batch.events or batch.statuses:
        days = {device: set(touched) for device, touched in days.items()}
        for event in batch.events:
            days.setdefault(event.device, set()).add(event.at // DAY_S)
            urgent.add(event.device)
        for status in batch.statuses:
            days.setdefault(status.device, set()).add(status.received_at // DAY_S)
            urgent.add(status.device)
    token = new_token()
    rows = [
        ("device", device, day, 0, int(device in urgent), batch.now, token)
        for device, touched in days.items()
        if device not in ignored
        for day in touched
    ]
    if rows:
        run_many(connection, touch_upsert(connection.dialect.name), rows)


def _write_events(connection: sa.Connection, batch: PulseBatch, ignored: set[str]) -> None:
    """Of two events with one key the larger document stays, so arrival order never matters."""
    rows = [
        {
            "device": e.device,
            "at": e.at,
            "event": e.event,
            "channel": e.channel,
            "received_at": e.received_at,
            "doc": documents.encode(msgspec.structs.replace(e, received_at=0)),
        }
        for e in batch.events
        if e.device not in ignored
    ]
    if not rows:
        return
    statement = insert(connection, t.device_event)
    new, old = statement.excluded, t.device_event.c
    statement = statement.on_conflict_do_update(
        index_elements=["device", "at", "event", "channel"],
        set_={
            "doc": sa.case((new.doc > old.doc, new.doc), else_=old.doc),
            "received_at": sa.case(
                (new.received_at < old.received_at, new.received_at), else_=old.received_at
            ),
        },
    )
    connection.execute(statement, rows)


def _tidy(reg: Registry, connection: sa.Connection, now: int) -> bool:
    """Throw away old quarantine and receipts, once an hour and process."""
    if now - reg.tidied.get("intake", 0) < TIDY_EVERY_S:
        return False
    tidy_quarantine(connection, now)
    connection.execute(sa.delete(t.receipt).where(t.receipt.c.at < now - RECEIPTS_KEPT_S))
    return True
