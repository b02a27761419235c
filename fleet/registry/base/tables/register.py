"""Tables of the register: customers, their sites and sets, service plans, and the devices of the sets."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, LargeBinary, Table, Text

from fleet.registry.base.tables.base import Seconds, metadata

customer = Table(
    "customer",
    metadata,
    Column("id", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)


site = Table(
    "site",
    metadata,
    Column("id", Text, primary_key=True),
    Column("customer", Text, ForeignKey("customer.id"), nullable=False, index=True),
    Column("zone", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)


unit = Table(
    "unit",
    metadata,
    Column("id", Text, primary_key=True),
    Column("customer", Text, ForeignKey("customer.id"), nullable=False, index=True),
    Column("site", Text, ForeignKey("site.id"), nullable=False, index=True),
    Column("area", Text, nullable=False),
    Column("plan", Text, nullable=False, index=True),
    Column("words", Text, nullable=False),
    Column("facts_seq", BigInteger, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
"""words: what a search looks in, lower case. doc: a Unit, its device the one fitted now."""


plan = Table(
    "plan",
    metadata,
    Column("id", Text, primary_key=True),
    Column("doc", LargeBinary, nullable=False),
)


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
