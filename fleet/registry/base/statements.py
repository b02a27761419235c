"""Statements in the connection's dialect: upserts, counters, change rows, and a quick executemany."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from functools import cache
from typing import Any, cast

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from fleet.registry.base import tables

_CHANGES_LOCK = 4_672_002
"""Our number for PostgreSQL's advisory lock that orders the change rows."""
_FACTS_LOCK = 4_672_003
"""And the one that lets one person's change after the other happen."""
_POSTGRESQL: Any = postgresql.dialect
_SQLITE: Any = sqlite.dialect


def insert(connection: sa.Connection, table: sa.Table) -> sqlite.Insert:
    """An INSERT of the connection's dialect, which knows `on_conflict_do_update`."""
    return insert_of(connection.dialect.name, table)


def insert_of(dialect: str, table: sa.Table) -> sqlite.Insert:
    """The same by name of dialect; both dialects' inserts have the same methods."""
    if dialect == "postgresql":
        return cast(sqlite.Insert, postgresql.insert(table))
    return sqlite.insert(table)


@cache
def upsert(dialect: str, table: sa.Table) -> sqlite.Insert:
    """INSERT that overwrites every column but the key where the key is there already."""
    statement = insert_of(dialect, table)
    keys = [column.name for column in table.primary_key]
    rest = {c.name: statement.excluded[c.name] for c in table.columns if c.name not in keys}
    return statement.on_conflict_do_update(index_elements=keys, set_=rest)


def run_many(
    connection: sa.Connection, statement: sqlite.Insert, rows: Sequence[tuple[Any, ...]]
) -> None:
    """Execute an insert for many rows, each a tuple in the order of the table's columns.

    For the hot path only: it skips SQLAlchemy's work per value (8 us a row of 14), so every value
    must be one the driver knows.
    """
    connection.exec_driver_sql(_compiled(connection.dialect.name, statement), list(rows))


@cache
def _compiled(dialect: str, statement: sqlite.Insert) -> str:
    made = (
        _POSTGRESQL(paramstyle="format") if dialect == "postgresql" else _SQLITE(paramstyle="qmark")
    )
    names = [column.name for column in statement.table.columns]
    compiled = statement.compile(dialect=made, column_keys=names)
    assert compiled.positiontup == names, "a bound value beside the columns"
    return str(compiled)


def new_token() -> int:
    """A number that no other transaction has: what still bears it was not changed meanwhile."""
    return secrets.randbits(62)


def bump(connection: sa.Connection, name: str, by: int = 1) -> None:
    """Raise the counter `name`, in the caller's transaction."""
    statement = insert(connection, tables.counter).values(name=name, n=by)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["name"], set_={"n": tables.counter.c.n + statement.excluded.n}
        )
    )


def counted(connection: sa.Connection, name: str) -> int:
    """The counter `name`; 0 before it was ever raised."""
    return int(connection.execute(_COUNTER, {"asked": name}).scalar() or 0)


_COUNTER = sa.select(tables.counter.c.n).where(tables.counter.c.name == sa.bindparam("asked"))


def one_at_a_time(connection: sa.Connection) -> None:
    """Let only one transaction at a time change what people say, until it ends.

    SQLite has one writer anyway; on PostgreSQL it is an advisory lock.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_FACTS_LOCK)))


def note_changes(connection: sa.Connection, rows: list[dict[str, Any]]) -> None:
    """Append change rows (at, unit, customer), in the order in which they become visible."""
    if not rows:
        return
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_CHANGES_LOCK)))
    connection.execute(sa.insert(tables.change), rows)
