"""What the page of one unit reads, and sets by their place. Every function takes a Scope."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

import sqlalchemy as sa

from fleet.model import Customer, DeviceEvent, Pulse, Scope, Site, Unit, UnitSummary
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.scoped import customer_in, spoke_for, unit_seen
from fleet.registry.derived.days import day_of
from fleet.registry.derived.rows import DayRow
from fleet.registry.facts.rows import ListedRecord, UnitInputs, UnsureSpell
from fleet.registry.facts.units import events_of, in_event_order, inputs_of


class UnitRow(NamedTuple):
    """A unit with its place, its owner and, once assessed, its summary."""

    unit: Unit
    site: Site
    customer: Customer
    summary: UnitSummary | None


def units_query(scope: Scope) -> sa.Select[Any]:
    """Units of the scope with documents of unit, site, customer and summary."""
    joined = tables.unit.join(tables.site, tables.site.c.id == tables.unit.c.site)
    joined = joined.join(tables.customer, tables.customer.c.id == tables.unit.c.customer)
    joined = joined.outerjoin(tables.summary, tables.summary.c.unit == tables.unit.c.id)
    return (
        sa.select(
            tables.unit.c.doc,
            tables.site.c.doc.label("site_doc"),
            tables.customer.c.doc.label("customer_doc"),
            tables.summary.c.doc.label("summary_doc"),
        )
        .select_from(joined)
        .where(customer_in(scope, tables.unit.c.customer))
    )


def units_named(reg: Registry, scope: Scope, ids: Iterable[str]) -> list[UnitRow]:
    """These units, those the scope sees, by id."""
    wanted, found = sorted(set(ids)), []
    with reg.read() as connection:
        for n in range(0, len(wanted), 500):
            query = units_query(scope).where(tables.unit.c.id.in_(wanted[n : n + 500]))
            found += [unit_row(row) for row in connection.execute(query.order_by(tables.unit.c.id))]
    return found


def unit_row(row: Any) -> UnitRow:
    """A row of `units_query`, decoded."""
    return UnitRow(
        documents.unit(row.doc),
        documents.site(row.site_doc),
        documents.customer(row.customer_doc),
        documents.summary(row.summary_doc) if row.summary_doc else None,
    )


def unit(reg: Registry, scope: Scope, id: str) -> UnitRow | None:
    """One unit with site, customer and summary; None where the scope has no such unit."""
    with reg.read() as connection:
        row = connection.execute(units_query(scope).where(tables.unit.c.id == id)).first()
    return None if row is None else unit_row(row)


def days(reg: Registry, scope: Scope, unit: str, from_day: int, to_day: int) -> list[DayRow]:
    """Stored days of a unit with from_day <= day < to_day (UTC days), rising."""
    c = tables.day.c
    query = sa.select(tables.day).where(c.unit == unit, c.day >= from_day, c.day < to_day)
    query = query.where(unit_seen(scope, c.unit)).order_by(c.day)
    with reg.read() as connection:
        return [day_of(row) for row in connection.execute(query)]


def assessment(reg: Registry, scope: Scope, unit: str) -> bytes | None:
    """The newest assessment document of a unit, or None where there is none yet."""
    c = tables.assessment.c
    query = sa.select(c.doc).where(c.unit == unit, unit_seen(scope, c.unit))
    with reg.read() as connection:
        return connection.execute(query).scalar()


def records(reg: Registry, scope: Scope, unit: str) -> list[ListedRecord]:
    """Every record of a unit, newest first; corrected ones name the record that did so."""
    newer = tables.record.alias("newer")
    c = tables.record.c
    query = (
        sa.select(c.doc, newer.c.id.label("superseded_by"))
        .select_from(tables.record.outerjoin(newer, newer.c.corrects == c.id))
        .where(c.unit == unit, unit_seen(scope, c.unit))
        .order_by(c.at.desc(), c.made_at.desc(), c.id)
    )
    with reg.read() as connection:
        rows = connection.execute(query).all()
    return [
        ListedRecord(record=documents.record(r.doc), superseded_by=r.superseded_by) for r in rows
    ]


def inputs(reg: Registry, scope: Scope, unit: str) -> UnitInputs | None:
    """All facts about a unit but telemetry and events; None where the scope has no such unit."""
    seen = sa.select(tables.unit.c.id).where(
        tables.unit.c.id == unit, unit_seen(scope, tables.unit.c.id)
    )
    with reg.read() as connection:
        if connection.execute(seen).first() is None:
            return None
        return inputs_of(connection, unit)


def events(
    reg: Registry, scope: Scope, unit: str, start: int, end: int, only: str | None = None
) -> list[DeviceEvent]:
    """Events of the devices fitted to the unit, each within its fitting, start <= at < end.

    only: of this name.
    """
    c = tables.device_event.c
    joined = tables.device_event.join(tables.fitting, sa.and_(*spoke_for(c.device, c.at)))
    query = (
        sa.select(tables.device_event)
        .select_from(joined)
        .where(tables.fitting.c.unit == unit, c.at >= start, c.at < end)
        .where(unit_seen(scope, tables.fitting.c.unit))
    )
    if only is not None:
        query = query.where(c.event == only)
    with reg.read() as connection:
        return events_of(connection.execute(in_event_order(query)).all())


def unsure_spells(
    reg: Registry, scope: Scope, unit: str, start: int, end: int
) -> list[UnsureSpell]:
    """Readings of the unit whose time is not known and lies, at least in part, in [start, end):
    those of one silence together, oldest first."""
    c = tables.unsure.c
    joined = tables.unsure.join(tables.fitting, sa.and_(*spoke_for(c.device, c.at)))
    count, first, last = sa.func.count(), sa.func.min(c.at), sa.func.max(c.at)
    query = (
        sa.select(count, first, last, c.after_at, sa.func.max(c.before_at))
        .select_from(joined)
        .where(tables.fitting.c.unit == unit, unit_seen(scope, tables.fitting.c.unit))
        .where(c.before_at >= start, c.at < end)
        .group_by(c.device, c.after_at)
        .order_by(first)
    )
    with reg.read() as connection:
        rows = connection.execute(query).all()
    return [
        UnsureSpell(readings=n, first_at=low, last_at=high, after_at=after, before_at=before)
        for n, low, high, after, before in rows
    ]


class SetRow(NamedTuple):
    """A set with its place, its summary and what was last heard of its device."""

    unit: Unit
    site: Site
    customer: Customer
    summary: UnitSummary
    pulse: Pulse | None


def sets_of(
    reg: Registry, scope: Scope, areas: Iterable[str], sites: Iterable[str]
) -> list[SetRow]:
    """Every assessed set of these areas and sites that the scope sees. The area '' is all sets
    without one."""
    query = units_query(scope).where(
        sa.or_(
            tables.unit.c.area.in_(sorted(set(areas))), tables.unit.c.site.in_(sorted(set(sites)))
        )
    )
    with reg.read() as connection:
        rows = [unit_row(row) for row in connection.execute(query.order_by(tables.unit.c.id))]
        pulses = _pulses_of(connection, [row.unit.device for row in rows if row.unit.device])
    return [
        SetRow(r.unit, r.site, r.customer, r.summary, pulses.get(r.unit.device))
        for r in rows
        if r.summary is not None
    ]


def _pulses_of(connection: sa.Connection, devices: list[str]) -> dict[str, Pulse]:
    found: dict[str, Pulse] = {}
    for start in range(0, len(devices), 500):
        some = devices[start : start + 500]
        query = sa.select(tables.pulse.c.doc).where(tables.pulse.c.device.in_(some))
        for doc in connection.execute(query).scalars():
            pulse = documents.pulse(doc)
            found[pulse.device] = pulse
    return found
