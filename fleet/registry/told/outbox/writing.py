"""Notices put into the outbox, in the transaction of what they tell of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import sqlalchemy as sa

from fleet.model import Notice
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import insert_of


def write_notices(
    connection: sa.Connection, notices: Sequence[Notice], withdrawn: Iterable[str], now: int
) -> None:
    """Put notices into the outbox; the same id again changes nothing.

    withdrawn: causes whose notices that wait for later than `now`, or could not be delivered yet,
    need not leave any more: nobody is told of what is over after it is over. An
    all-clear is kept for those only who were told of what is over.
    """
    causes = sorted(set(withdrawn))
    c = tables.notice.c
    if causes:
        late = sa.and_(c.cause.in_(causes), c.state == "waiting", c.not_before > now)
        connection.execute(sa.delete(tables.notice).where(late))
        stuck = sa.and_(c.cause.in_(causes), c.state == "claimed")
        connection.execute(
            sa.update(tables.notice).where(stuck).values(state="withdrawn", again_at=None)
        )
    told = _told(connection, {n.cause for n in notices if n.kind == "cleared"})
    rows = [notice_row(n) for n in notices if n.kind != "cleared" or (n.cause, n.person) in told]
    if rows:
        put = insert_of(connection.dialect.name, tables.notice).on_conflict_do_nothing()
        connection.execute(put, rows)


def put_notices(reg: Registry, notices: Sequence[Notice], now: int) -> None:
    """Put notices into the outbox in a transaction of their own; the same id again changes nothing."""
    with reg.write() as connection:
        write_notices(connection, notices, (), now)


def _told(connection: sa.Connection, causes: set[str]) -> set[tuple[str, str]]:
    """(cause, person) of everybody who was told, or is about to be."""
    c = tables.notice.c
    lost = ("failed", "withdrawn")
    query = sa.select(c.cause, c.person).where(c.cause.in_(sorted(causes)), c.state.not_in(lost))
    return {(row.cause, row.person) for row in connection.execute(query)} if causes else set()


def notice_row(notice: Notice) -> dict[str, Any]:
    return {
        "id": notice.id,
        "cause": notice.cause,
        "person": notice.person,
        "way": notice.way,
        "state": "waiting",
        "not_before": notice.not_before,
        "doc": documents.encode(notice),
    }
