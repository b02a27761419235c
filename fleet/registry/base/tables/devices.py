"""Tables of devices and of which unit each speaks for. fitting is worked out from claims."""

from __future__ import annotations

from sqlalchemy import Boolean, Column, ForeignKey, LargeBinary, Table, Text

from fleet.registry.base.tables.base import Seconds, metadata

device = Table(
    "device",
    metadata,
    Column("id", Text, primary_key=True),
    Column("grp", Text, nullable=False),
    Column("registered", Boolean, nullable=False, index=True),
    Column("profile", Text, nullable=False),
    Column("first_at", Seconds, nullable=False),
)


claim = Table(
    "claim",
    metadata,
    Column("id", Text, primary_key=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False, index=True),
    Column("device", Text, ForeignKey("device.id"), nullable=False, index=True),
    Column("from_at", Seconds),
    Column("said_at", Seconds, nullable=False),
    Column("said_by", Text, nullable=False),
)
"""Who said which device speaks for a unit from when on. from_at NULL: the register, always."""


fitting = Table(
    "fitting",
    metadata,
    Column("id", Text, primary_key=True),
    Column("device", Text, ForeignKey("device.id"), nullable=False, index=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False, index=True),
    Column("from_at", Seconds),
    Column("to_at", Seconds),
    Column("said_by", Text, nullable=False),
)


pulse = Table(
    "pulse",
    metadata,
    Column("device", Text, primary_key=True),
    Column("heard_at", Seconds, index=True),
    Column("newest_at", Seconds),
    Column("doc", LargeBinary, nullable=False),
)


device_event = Table(
    "device_event",
    metadata,
    Column("device", Text, primary_key=True),
    Column("at", Seconds, primary_key=True),
    Column("event", Text, primary_key=True),
    Column("channel", Text, primary_key=True),
    Column("received_at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
