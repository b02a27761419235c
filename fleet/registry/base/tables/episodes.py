"""Tables of findings over time, as people were told them. Appended."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, Integer, LargeBinary, Table, Text, text

from fleet.registry.base.tables.base import Seconds, metadata

episode = Table(
    "episode",
    metadata,
    Column("id", Text, primary_key=True),
    Column("subject", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("part", Text, nullable=False),
    Column("customer", Text, index=True),
    Column("severity", Text, nullable=False),
    Column("opened_at", Seconds, nullable=False, index=True),
    Column("closed_at", Seconds),
    Column("acknowledged_at", Seconds),
    Column("doc", LargeBinary, nullable=False),
    Index("ix_episode_subject_opened_at", "subject", "opened_at"),
    Index(
        "ux_episode_open",
        "subject",
        "kind",
        "part",
        unique=True,
        sqlite_where=text("closed_at IS NULL"),
        postgresql_where=text("closed_at IS NULL"),
    ),
)
"""customer: of a unit's episode; NULL where the subject is no unit. doc: the newest finding."""


step = Table(
    "step",
    metadata,
    Column("episode", Text, ForeignKey("episode.id"), primary_key=True),
    Column("n", Integer, primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("kind", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
