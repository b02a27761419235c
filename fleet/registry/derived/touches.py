"""Touches: which days of which units must be computed again.

A device's touch names a day it spoke about; `spread_touches` turns it into touches of the units
it was fitted to on that day. A touch is cleared only by the seq it was read with.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from functools import cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import sqlite

from fleet.calendar import DAY_S
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import insert_of, new_token
from fleet.registry.derived.rows import UnitTouch

_MINE = sa.and_(
    tables.touch.c.whose == sa.bindparam("b_whose"),
    tables.touch.c.id == sa.bindparam("b_id"),
    tables.touch.c.day == sa.bindparam("b_day"),
    tables.touch.c.seq == sa.bindparam("b_seq"),
)
_CLEAR = sa.delete(tables.touch).where(_MINE)


def spread_touches(reg: Registry, limit: int = 500) -> int:
    """Turn up to `limit` device touches into touches of units; urgent and oldest first.

    Returns how many device touches were done with: less than `limit` means none are left.
    A touch of a day on which the device was fitted to no unit is dropped.
    """
    query = (
        sa.select(tables.touch)
        .where(tables.touch.c.whose == "device")
        .order_by(
            tables.touch.c.priority.desc(),
            tables.touch.c.since,
            tables.touch.c.id,
            tables.touch.c.day,
        )
        .limit(limit)
    )
    with reg.read() as connection:
        if connection.execute(query.limit(1)).first() is None:
            return 0
    with reg.write() as connection:
        rows = connection.execute(query).all()
        fitted = _fittings(connection, {row.id for row in rows})
        token = new_token()
        spread = [
            touch_row(
                "unit",
                unit,
                row.day,
                token,
                row.since,
                onward=bool(row.onward),
                priority=bool(row.priority),
            )
            for row in rows
            for unit in _units_on(fitted.get(row.id, []), row.day)
        ]
        if spread:
            connection.execute(touch_upsert(reg.dialect), spread)
        clear_touches(connection, "device", [(r.id, r.day, r.seq) for r in rows])
    return len(rows)


def touched_units(reg: Registry, limit: int) -> list[UnitTouch]:
    """Up to `limit` units to compute again, urgent ones first, then those waiting longest."""
    c = tables.touch.c
    urgent, oldest = sa.func.max(c.priority), sa.func.min(c.since)
    units = (
        sa.select(c.id, urgent.label("priority"))
        .where(c.whose == "unit")
        .group_by(c.id)
        .order_by(urgent.desc(), oldest, c.id)
        .limit(limit)
    )
    with reg.read() as connection:
        order = {row.id: bool(row.priority) for row in connection.execute(units)}
        query = (
            sa.select(tables.touch).where(c.whose == "unit", c.id.in_(order)).order_by(c.id, c.day)
        )
        rows = connection.execute(query).all() if order else []
    days: dict[str, list[tuple[int, bool, int]]] = defaultdict(list)
    for row in rows:
        days[row.id].append((row.day, bool(row.onward), row.seq))
    return [
        UnitTouch(unit=unit, days=tuple(days[unit]), priority=priority)
        for unit, priority in order.items()
    ]


def due_looks(reg: Registry, now: int, limit: int) -> list[str]:
    """Up to `limit` units whose assessment asked to be looked at again by `now`, oldest first."""
    c = tables.assessment.c
    query = (
        sa.select(c.unit)
        .where(c.look_again_at <= now)
        .order_by(c.look_again_at, c.unit)
        .limit(limit)
    )
    with reg.read() as connection:
        return list(connection.execute(query).scalars())


def next_due_look(reg: Registry, but: Iterable[str] = ()) -> int | None:
    """When the first assessment asks to be looked at again [s UTC], those of `but` left out."""
    c = tables.assessment.c
    query = sa.select(sa.func.min(c.look_again_at)).where(c.unit.not_in(sorted(but)))
    with reg.read() as connection:
        found: int | None = connection.execute(query).scalar()
    return found


def touched(reg: Registry, but: Iterable[str] = ()) -> bool:
    """Whether any unit or device waits to be computed again, those of `but` left out."""
    query = sa.select(tables.touch.c.id).where(tables.touch.c.id.not_in(sorted(but))).limit(1)
    with reg.read() as connection:
        return connection.execute(query).first() is not None


def backlog(reg: Registry) -> tuple[int, int]:
    """(touches that wait, days that stand), of the whole fleet."""
    waiting, days = (
        sa.select(sa.func.count()).select_from(table) for table in (tables.touch, tables.day)
    )
    with reg.read() as connection:
        return (
            int(connection.execute(waiting).scalar_one()),
            int(connection.execute(days).scalar_one()),
        )


def clear_touches(connection: sa.Connection, whose: str, read: list[tuple[str, int, int]]) -> None:
    """Clear (id, day, seq) touches of `whose`, only where the seq is still the one read."""
    rows = [{"b_whose": whose, "b_id": i, "b_day": d, "b_seq": s} for i, d, s in read]
    if rows:
        connection.execute(_CLEAR, rows)


def touch_units(
    connection: sa.Connection, units: dict[str, int], now: int, *, priority: bool = False
) -> None:
    """Touch units (id to UTC day) from that day onward, because a person changed a fact."""
    token = new_token()
    rows = [
        touch_row("unit", unit, day, token, now, onward=True, priority=priority)
        for unit, day in units.items()
    ]
    if rows:
        connection.execute(touch_upsert(connection.dialect.name), rows)


def _fittings(connection: sa.Connection, devices: set[str]) -> dict[str, list[Any]]:
    query = sa.select(tables.fitting).where(tables.fitting.c.device.in_(sorted(devices)))
    fitted: dict[str, list[Any]] = defaultdict(list)
    for row in connection.execute(query):
        fitted[row.device].append(row)
    return fitted


def _units_on(fittings: list[Any], day: int) -> set[str]:
    """Units for which these fittings hold at some moment of the UTC day."""
    start, end = day * DAY_S, (day + 1) * DAY_S
    return {
        f.unit
        for f in fittings
        if (f.from_at is None or f.from_at < end) and (f.to_at is None or f.to_at > start)
    }


def touch_row(
    whose: str,
    name: str,
    day: int,
    token: int,
    now: int,
    *,
    onward: bool = False,
    priority: bool = False,
) -> dict[str, Any]:
    """One row for `touch_upsert`."""
    return {
        "whose": whose,
        "id": name,
        "day": day,
        "onward": int(onward),
        "priority": int(priority),
        "since": now,
        "seq": token,
    }


@cache
def touch_upsert(dialect: str) -> sqlite.Insert:
    """Touch: onward and priority only ever rise, since stays, seq becomes the new token."""
    statement = insert_of(dialect, tables.touch)
    new = statement.excluded
    return statement.on_conflict_do_update(
        index_elements=["whose", "id", "day"],
        set_={
            "onward": sa.case(
                (new.onward > tables.touch.c.onward, new.onward), else_=tables.touch.c.onward
            ),
            "priority": sa.case(
                (new.priority > tables.touch.c.priority, new.priority),
                else_=tables.touch.c.priority,
            ),
            "seq": new.seq,
        },
    )
