"""Tables of what people wrote of a unit. Appended; calibration is worked out from records."""

from __future__ import annotations

from sqlalchemy import Column, Float, ForeignKey, Index, LargeBinary, Table, Text, UniqueConstraint

from fleet.registry.base.tables.base import Seconds, metadata

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
