"""What was done, by whom: appended in the transaction that does it."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.people.model import Actor, AuditKind, AuditRow

FAILURES_KEPT_S = 90 * 86_400
"""Failed sign-ins are kept as long as messages set aside; all else is kept for good. A bound of
ours."""
_MOST = 1_000


def note(
    connection: sa.Connection,
    now: int,
    kind: AuditKind,
    by: Actor,
    subject: str = "",
    detail: str = "",
) -> None:
    """Append a row in the caller's transaction."""
    connection.execute(
        sa.insert(tables.audit).values(
            at=now,
            kind=kind,
            who=by.name[:200],
            person=by.person,
            address=by.address[:100],
            subject=subject[:200],
            detail=detail[:500],
        )
    )


def note_failure(reg: Registry, login: str, address: str, why: str, now: int) -> None:
    """A sign-in that was refused. login: of a known person, else '' (it may be a password)."""
    c = tables.audit.c
    with reg.write() as connection:
        connection.execute(
            sa.delete(tables.audit).where(c.kind == "sign_in_failed", c.at < now - FAILURES_KEPT_S)
        )
        by = Actor(login or "somebody", None, address)
        note(connection, now, "sign_in_failed", by, login, why)


def audit(
    reg: Registry, limit: int = 100, before: int | None = None, kind: str | None = None
) -> list[AuditRow]:
    """The newest rows first, below the row numbered `before`."""
    c = tables.audit.c
    query: Any = sa.select(tables.audit)
    if before is not None:
        query = query.where(c.id < before)
    if kind is not None:
        query = query.where(c.kind == kind)
    with reg.read() as connection:
        rows = connection.execute(query.order_by(c.id.desc()).limit(min(limit, _MOST))).all()
    return [
        AuditRow(
            id=r.id,
            at=r.at,
            kind=r.kind,
            who=r.who,
            person=r.person,
            address=r.address,
            subject=r.subject,
            detail=r.detail,
        )
        for r in rows
    ]
