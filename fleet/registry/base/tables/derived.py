"""Tables of what is computed of a unit; all may be thrown away and made again."""

from __future__ import annotations

from sqlalchemy import Column, Float, ForeignKey, Index, Integer, LargeBinary, Table, Text

from fleet.registry.base.tables.base import Seconds, metadata

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
