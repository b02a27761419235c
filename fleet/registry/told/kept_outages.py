"""Outages as they are kept."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from fleet.model import (
    Outage,
    OutageMember,
    Scope,
)
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.scoped import customer_in
from fleet.registry.base.statements import note_changes, upsert
from fleet.registry.told.episodes import write_alerts
from fleet.registry.told.rows import AlertChanges


class OutageTurn(msgspec.Struct, frozen=True, kw_only=True):
    """What one look at the outages found. outages: with the members to write only."""

    outages: tuple[Outage, ...] = ()
    alerts: AlertChanges = AlertChanges()
    customers: dict[str, str] = {}
    """Customer of each episode that belongs to one."""


def going_on(reg: Registry, since: int) -> list[Outage]:
    """Outages that are open, or ended since that moment, with all their members."""
    c = tables.outage.c
    query = sa.select(c.doc).where(sa.or_(c.ended_at.is_(None), c.ended_at >= since))
    with reg.read() as connection:
        found = [
            documents.outage(doc) for doc in connection.execute(query.order_by(c.id)).scalars()
        ]
        members = _members(connection, [outage.id for outage in found], Scope())
    return [msgspec.structs.replace(o, members=tuple(members[o.id])) for o in found]


def parts_of(reg: Registry, scope: Scope, whole: Outage) -> list[str]:
    """Ids of the outages of single sites that turned out to be part of this one, and that have a
    member in the scope."""
    c, m = tables.outage.c, tables.outage_member.c
    query = sa.select(c.doc).where(sa.or_(c.ended_at.is_(None), c.ended_at >= whole.began_at))
    if not scope.everything:
        query = query.where(c.id.in_(sa.select(m.outage).where(customer_in(scope, m.customer))))
    with reg.read() as connection:
        found = [
            documents.outage(doc) for doc in connection.execute(query.order_by(c.id)).scalars()
        ]
    return [one.id for one in found if one.into == whole.id]


def member_of(reg: Registry, unit: str, since: int) -> list[tuple[Outage, OutageMember]]:
    """The outages a set is or was in that are open or ended since that moment, newest first."""
    query = _of_unit(unit).where(
        sa.or_(tables.outage.c.ended_at.is_(None), tables.outage.c.ended_at >= since)
    )
    with reg.read() as connection:
        return [
            (documents.outage(r.doc), documents.outage_member(r.member))
            for r in connection.execute(query)
        ]


def past_of(reg: Registry, unit: str, limit: int = 5) -> list[OutageMember]:
    """How a set fared in its newest outages that are over, the oldest of them first."""
    query = _of_unit(unit).where(tables.outage.c.ended_at.is_not(None)).limit(limit)
    with reg.read() as connection:
        return [documents.outage_member(r.member) for r in connection.execute(query)][::-1]


def _of_unit(unit: str) -> sa.Select[Any]:
    joined = tables.outage_member.join(
        tables.outage, tables.outage.c.id == tables.outage_member.c.outage
    )
    return (
        sa.select(tables.outage.c.doc, tables.outage_member.c.doc.label("member"))
        .select_from(joined)
        .where(tables.outage_member.c.unit == unit)
        .order_by(tables.outage.c.began_at.desc(), tables.outage.c.id)
    )


def write_outages(reg: Registry, turn: OutageTurn, now: int) -> bool:
    """Write one look in one short transaction; False where another program's step came between:
    nothing was written, look again."""
    dialect = reg.dialect
    try:
        with reg.write() as connection:
            write_alerts(connection, [turn.alerts], turn.customers, now)
            rows = [_row(outage) for outage in turn.outages]
            members = [_member_row(o.id, m) for o in turn.outages for m in o.members]
            if rows:
                connection.execute(upsert(dialect, tables.outage), rows)
            if members:
                connection.execute(upsert(dialect, tables.outage_member), members)
            changed = {m.unit: m.customer for o in turn.outages for m in o.members}
            note_changes(
                connection,
                [{"at": now, "unit": u, "customer": c} for u, c in sorted(changed.items())],
            )
    except IntegrityError:
        return False
    return True


def _row(outage: Outage) -> dict[str, Any]:
    alone = msgspec.structs.replace(outage, members=())
    return {
        "id": outage.id,
        "began_at": outage.began_at,
        "ended_at": outage.ended_at,
        "doc": documents.encode(alone),
    }


def _member_row(outage: str, member: OutageMember) -> dict[str, Any]:
    return {
        "outage": outage,
        "unit": member.unit,
        "customer": member.customer,
        "doc": documents.encode(member),
    }


def _members(
    connection: sa.Connection, outages: Sequence[str], scope: Scope
) -> dict[str, list[OutageMember]]:
    c = tables.outage_member.c
    query = sa.select(c.outage, c.doc).where(
        c.outage.in_(list(outages)), customer_in(scope, c.customer)
    )
    found: dict[str, list[OutageMember]] = defaultdict(list)
    for row in connection.execute(query.order_by(c.outage, c.unit)):
        found[row.outage].append(documents.outage_member(row.doc))
    return found


def outages(reg: Registry, scope: Scope, limit: int = 50, cursor: str = "") -> list[Outage]:
    """Outages with the members the scope sees, open ones first, then the newest; those without a
    member in the scope are left out, as are single sites' that went into their area's."""
    c = tables.outage.c
    mine = sa.select(tables.outage_member.c.outage).where(
        customer_in(scope, tables.outage_member.c.customer)
    )
    query = sa.select(c.doc).where(c.id.in_(mine))
    place = (c.ended_at.is_not(None), -c.began_at, c.id)
    with reg.read() as connection:
        if cursor:
            at = connection.execute(sa.select(*place).where(c.id == cursor)).first()
            if at is None:
                return []
            query = query.where(sa.tuple_(*place) > sa.tuple_(*[sa.literal(x) for x in at]))
        docs = connection.execute(query.order_by(*place).limit(limit)).scalars()
        found = [documents.outage(doc) for doc in docs]
        members = _members(connection, [outage.id for outage in found], scope)
    return [msgspec.structs.replace(o, members=tuple(members[o.id])) for o in found]


def outage(reg: Registry, scope: Scope, id: str) -> Outage | None:
    """One outage with the members the scope sees; None where it sees none of it."""
    c = tables.outage.c
    with reg.read() as connection:
        doc = connection.execute(sa.select(c.doc).where(c.id == id)).scalar()
        members = _members(connection, [id], scope)[id] if doc is not None else []
    if doc is None or (not members and not scope.everything):
        return None
    return msgspec.structs.replace(documents.outage(doc), members=tuple(members))
