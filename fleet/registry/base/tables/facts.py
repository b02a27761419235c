"""Tables of facts: what came in (set aside, taken once, files replayed), and what people wrote of a unit.

Records are appended; calibration is worked out from them. A touch names a day to compute again.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    Table,
    Text,
    UniqueConstraint,
)

from fleet.registry.base.tables.base import Counted, Seconds, metadata

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", Counted, primary_key=True, autoincrement=True),
    Column("digest", Text, nullable=False),
    Column("device", Text, nullable=False),
    Column("day", Integer, nullable=False),
    Column("received_at", Seconds, nullable=False, index=True),
    Column("topic", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("ours", Boolean, nullable=False),
    Column("size", Integer, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    UniqueConstraint("digest"),
    Index("ix_quarantine_device_id", "device", "id"),
    sqlite_autoincrement=True,
)


quarantine_count = Table(
    "quarantine_count",
    metadata,
    Column("device", Text, primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("kept", Integer, nullable=False),
    Column("over", Integer, nullable=False),
)


receipt = Table(
    "receipt",
    metadata,
    Column("key", Text, primary_key=True),
    Column("at", Seconds, nullable=False, index=True),
    Column("seat", Seconds),
)
"""Messages without a time: at, when received; seat, the second that stands for it (NULL: at)."""


unsure = Table(
    "unsure",
    metadata,
    Column("device", Text, primary_key=True),
    Column("at", Seconds, primary_key=True),
    Column("after_at", Seconds),
    Column("before_at", Seconds, nullable=False),
)
"""Readings whose time is not known: the second they stand at, and between which moments they
were measured (after_at NULL: nothing was heard before)."""


inbox = Table(
    "inbox",
    metadata,
    Column("file", Text, primary_key=True),
    Column("doc", LargeBinary, nullable=False),
)


touch = Table(
    "touch",
    metadata,
    Column("whose", Text, primary_key=True),
    Column("id", Text, primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("onward", Integer, nullable=False),
    Column("priority", Integer, nullable=False),
    Column("since", Seconds, nullable=False),
    Column("seq", BigInteger, nullable=False),
)
"""whose: device or unit. since: when first touched, for fairness. seq: a new token each time."""


record = Table(
    "record",
    metadata,
    Column("id", Text, primary_key=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False),
    Column("at", Seconds, nullable=False),
    Column("made_at", Seconds, nullable=False),
    Column("kind", Text, nullable=False),
    Column("corrects", Text, ForeignKey("record.id")),
    Column("doc", LargeBinary, nullable=False),
    UniqueConstraint("corrects"),
    Index("ix_record_unit_at", "unit", "at"),
)


calibration = Table(
    "calibration",
    metadata,
    Column("id", Text, ForeignKey("record.id"), primary_key=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False, index=True),
    Column("fitting", Text, index=True),
    Column("channel", Text, nullable=False),
    Column("gain", Float, nullable=False),
    Column("zero", Float, nullable=False),
    Column("from_at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
"""fitting NULL: no device was fitted at that moment, so it is not in effect."""
