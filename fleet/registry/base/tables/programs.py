"""Tables by which programs know of each other: counters, shards, changes, heartbeats."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Integer, LargeBinary, Table, Text

from fleet.registry.base.tables.base import Counted, Seconds, metadata

counter = Table(
    "counter",
    metadata,
    Column("name", Text, primary_key=True),
    Column("n", BigInteger, nullable=False),
)


shard = Table(
    "shard",
    metadata,
    Column("n", Integer, primary_key=True, autoincrement=False),
    Column("fence", BigInteger, nullable=False),
    Column("mark", BigInteger, nullable=False),
)
"""n: number of the shard (see `registry.derived.shards`); fence: raised by whoever takes it; mark: another
after every turn that wrote days of its units."""


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
