"""Tables of the register: customers, their sites and sets, service plans."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, LargeBinary, Table, Text

from fleet.registry.base.tables.base import metadata

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
