"""Tables by which programs know what happened elsewhere: counters, changes, heartbeats."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, LargeBinary, Table, Text

from fleet.registry.tables.base import Counted, Seconds, metadata

counter = Table(
    "counter",
    metadata,
    Column("name", Text, primary_key=True),
    Column("n", BigInteger, nullable=False),
)


change = Table(
    "change",
    metadata,
    Column("id", Counted, primary_key=True, autoincrement=True),
    Column("at", Seconds, nullable=False),
    Column("unit", Text, nullable=False),
    Column("customer", Text, nullable=False),
    sqlite_autoincrement=True,
)


heartbeat = Table(
    "heartbeat",
    metadata,
    Column("program", Text, primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
