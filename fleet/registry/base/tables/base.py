"""What every table of the registry shares: names of keys, and types of columns."""

from __future__ import annotations

from sqlalchemy import BigInteger, Integer, MetaData

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

Seconds = BigInteger
Counted = BigInteger().with_variant(Integer, "sqlite")
"""An ascending key; SQLite only counts up on INTEGER."""
