"""The register of a scope as a file."""

from __future__ import annotations

from typing import Literal

import msgspec
import sqlalchemy as sa

from fleet.model import Scope
from fleet.registry.base import cells, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.lists.unit import unit_row, units_query
from fleet.registry.register.columns import NAMES
from fleet.registry.register.row import row_of


def export_units(reg: Registry, scope: Scope, fmt: Literal["csv", "json", "parquet"]) -> bytes:
    """The register of a scope in the columns an import reads. CSV texts are safe in a spreadsheet.

    Raises RegistryFault for an unknown format, or Parquet without its package.
    """
    with reg.read() as connection:
        rows = connection.execute(units_query(scope).order_by(tables.unit.c.id)).all()
        query = sa.select(tables.device.c.id, tables.device.c.grp)
        groups = {row.id: row.grp for row in connection.execute(query)}
    units = [unit_row(row) for row in rows]
    found = [row_of(u, s, c.name, groups.get(u.device, "")) for u, s, c, _ in units]
    if fmt == "csv":
        return cells.written(list(NAMES), found)
    if fmt == "json":
        return msgspec.json.format(msgspec.json.encode(found), indent=1)
    if fmt == "parquet":
        return cells.parquet_bytes(list(NAMES), found)
    raise RegistryFault(f"{fmt} is no format of the register: csv, json or parquet.")
