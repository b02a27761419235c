"""Tables of what is computed of a unit, which may be thrown away and made again; and of the programs.

Programs know of each other by counters, shards, changes and heartbeats.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    Table,
    Text,
)

from fleet.registry.base.tables.base import Counted, Seconds, metadata

day = Table(
    "day",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("fingerprint", Text, nullable=False),
    Column("carry_in", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)


assessment = Table(
    "assessment",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("look_again_at", Seconds, nullable=False, index=True),
    Column("doc", LargeBinary, nullable=False),
)


summary = Table(
    "summary",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("condition", Text, nullable=False),
    Column("severity", Text, nullable=False),
    Column("readiness", Text, nullable=False, server_default=""),
    Column("ready_why", Text, nullable=False, server_default=""),
    Column("doc", LargeBinary, nullable=False),
    Index("ix_summary_readiness", "readiness"),
)
"""readiness: its word, '' before the first verdict of this release; ready_why: what decided it."""


due = Table(
    "due",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("task", Text, primary_key=True),
    Column("state", Text, nullable=False, index=True),
    Column("on_date", Text),
    Column("share", Float, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)


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
