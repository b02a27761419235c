"""What is known of the sets of areas and sites, for a look at their outages and for call lists."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import sqlalchemy as sa

from fleet.model import Customer, Pulse, Scope, Site, Unit, UnitSummary
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.lists.unit import unit_row, units_query


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
