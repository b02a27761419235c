"""The service itself: its health, and what it set aside."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.model import Quarantined, Scope
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import OutOfScope
from fleet.registry.base.heartbeats import beats
from fleet.registry.base.scoped import device_seen
from fleet.registry.base.statements import counted
from fleet.registry.facts.intake import marks_of
from fleet.registry.facts.rows import QuarantineCount, QuarantineRow, Refused
from fleet.registry.lists.rows import HealthFacts


def quarantine(
    reg: Registry,
    scope: Scope,
    device: str | None = None,
    limit: int = 100,
    cursor: int | None = None,
) -> list[QuarantineRow]:
    """Messages set aside, newest first, before the row numbered `cursor`.

    A restricted scope sees those of devices that spoke for its units when they came.
    """
    c = tables.quarantine.c
    query = sa.select(tables.quarantine).where(device_seen(scope, c.device, c.received_at))
    if device is not None:
        query = query.where(c.device == device)
    if cursor is not None:
        query = query.where(c.id < cursor)
    with reg.read() as connection:
        rows = connection.execute(query.order_by(c.id.desc()).limit(min(limit, 1_000))).all()
    return [QuarantineRow(id=row.id, item=_item(row), size=row.size) for row in rows]


def refused(reg: Registry, scope: Scope, device: str, limit: int = 100) -> list[Refused]:
    """Why messages of a device were set aside, the most frequent reason first, each with its newest
    as an example. What was counted and not kept is in `quarantine_counts` only.

    A restricted scope sees those that came while the device spoke for its units.
    """
    c = tables.quarantine.c
    mine = sa.and_(c.device == device, device_seen(scope, c.device, c.received_at))
    many = sa.func.count().label("many")
    query = sa.select(c.reason, many, sa.func.max(c.id).label("newest")).where(mine)
    query = query.group_by(c.reason).order_by(many.desc(), c.reason).limit(limit)
    with reg.read() as connection:
        rows = connection.execute(query).all()
        wanted = sa.select(tables.quarantine).where(c.id.in_([row.newest for row in rows]))
        held = {row.id: row for row in connection.execute(wanted)}
    return [
        Refused(
            reason=row.reason,
            messages=row.many,
            newest=QuarantineRow(
                id=row.newest, item=_item(held[row.newest]), size=held[row.newest].size
            ),
        )
        for row in rows
    ]


def _item(row: Any) -> Quarantined:
    return Quarantined(
        device=row.device,
        topic=row.topic,
        received_at=row.received_at,
        reason=row.reason,
        payload=row.payload,
        ours=bool(row.ours),
    )


def quarantine_counts(reg: Registry, scope: Scope) -> list[QuarantineCount]:
    """How many were set aside by device and UTC day, newest day first."""
    c = tables.quarantine_count.c
    noon = c.day * DAY_S + DAY_S // 2
    query = sa.select(tables.quarantine_count).where(device_seen(scope, c.device, noon))
    with reg.read() as connection:
        rows = connection.execute(query.order_by(c.day.desc(), c.device)).all()
    return [QuarantineCount(device=r.device, day=r.day, kept=r.kept, over=r.over) for r in rows]


def health(reg: Registry, scope: Scope) -> HealthFacts:
    """Facts about the service: programs, inbox, queue lengths, counts.

    Raises OutOfScope for whoever does not see everything.
    """
    if not scope.everything:
        raise OutOfScope("Only who sees the whole fleet may see the service itself.")
    device, touch, count = tables.device.c, tables.touch.c, tables.quarantine_count.c

    with reg.read() as connection:

        def number(query: Any) -> int:
            return int(connection.execute(query).scalar() or 0)

        def rows_of(table: sa.Table, *where: Any) -> int:
            return number(sa.select(sa.func.count()).select_from(table).where(*where))

        return HealthFacts(
            heartbeats=beats(connection),
            inbox=tuple(marks_of(connection).values()),
            units=rows_of(tables.unit),
            devices=rows_of(tables.device),
            unregistered=rows_of(tables.device, device.registered.is_(False)),
            devices_ignored=counted(connection, "devices_ignored"),
            touches_device=rows_of(tables.touch, touch.whose == "device"),
            touches_unit=rows_of(tables.touch, touch.whose == "unit"),
            oldest_touch_at=connection.execute(sa.select(sa.func.min(touch.since))).scalar(),
            newest_heard_at=connection.execute(
                sa.select(sa.func.max(tables.pulse.c.heard_at))
            ).scalar(),
            open_episodes=rows_of(tables.episode, tables.episode.c.closed_at.is_(None)),
            quarantined=number(sa.select(sa.func.sum(count.kept))),
            quarantined_over=number(sa.select(sa.func.sum(count.over))),
            facts_version=counted(connection, "facts_version"),
        )
