"""A unit as a row of the register: read out, exported, and laid over what the register holds."""

from __future__ import annotations

from typing import Any, Literal

import msgspec
import sqlalchemy as sa

from fleet.calendar import utc_text
from fleet.model import Scope, Site, Unit
from fleet.registry.base import cells, tables
from fleet.registry.base.cells import CellFault, Row
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.lists.unit import unit_row, units_query
from fleet.registry.register.columns import BY_NAME, NAMES, PLAIN
from fleet.registry.register.composed import habit_text, usual_off
from fleet.wiring import senses_text


def row_of(unit: Unit, site: Site, customer: str, group: str) -> dict[str, Any]:
    """A unit as a row of the register: what an export writes and an import reads back."""
    row: dict[str, Any] = {name: getattr(unit, name) for name in PLAIN}
    row |= {
        "customer": customer,
        "site": site.name,
        "address": site.address,
        "lat": site.lat,
        "lon": site.lon,
        "time_zone": site.time_zone,
        "unit": unit.id,
        "device": unit.device,
        "group": group,
        "senses": senses_text(unit.senses),
        "habit": habit_text(unit.habit),
        "running_join": unit.running.join,
        "running_hold_s": unit.running.hold_off_s,
    }
    for suffix, signal in (("", unit.running.first), ("_2", unit.running.second)):
        if signal is not None:
            row |= {
                f"running_signal{suffix}": signal.channel,
                f"running_on{suffix}": signal.on,
                f"running_off{suffix}": signal.off,
            }
    row["exercise"] = unit.exercise.replace("\n", " ")
    if unit.engine_hours_at is not None:
        row["engine_hours_at"] = utc_text(unit.engine_hours_at)
    for name in ("idle_down", "inverter"):
        row[name] = "yes" if row[name] else "no"
    return {name: "" if row.get(name) is None else row[name] for name in NAMES}


SITE_COLUMNS = ("address", "lat", "lon", "time_zone")
"""Columns that belong to the site, and may be said by any of its rows."""
SECOND = ("running_on_2", "running_off_2")


def overlaid(base: Row, given: Row) -> Row:
    """The given cells over those of the register.

    What the register had worked out is worked out anew where what it stands on is given: the
    zone of a new place, the off threshold of a new on threshold, the moment of new engine hours.
    """
    row = cells.overlaid(base, {name: v for name, v in given.items() if name in BY_NAME})
    said = {name for name, value in given.items() if cells.present(value)}
    if "time_zone" not in said and any(_other(base, row, name) for name in ("lat", "lon")):
        row["time_zone"] = ""
    if "engine_hours_at" not in said and _other(base, row, "engine_hours"):
        row["engine_hours_at"] = ""
    if cells.wiped(given.get("running_signal_2")):
        row |= {name: "" for name in SECOND if name not in said}
    for suffix in ("", "_2"):
        off, on = f"running_off{suffix}", f"running_on{suffix}"
        if off not in said and base.get(off) == usual_off(base.get(on)):
            row[off] = ""
    return row


def wiped(given: Row) -> frozenset[str]:
    """The columns that a row empties."""
    return frozenset(name for name, value in given.items() if cells.wiped(value))


def columns_changed(old: Row, new: Row) -> tuple[str, ...]:
    """The columns in which two rows of the register differ."""
    return tuple(name for name in BY_NAME if old.get(name, "") != new.get(name, ""))


def _other(base: Row, row: Row, name: str) -> bool:
    """Whether a number is another one, however it is written."""
    old, new = base.get(name, ""), row.get(name, "")
    if str(old) == str(new):
        return False
    try:
        return bool(BY_NAME[name].read(old) != BY_NAME[name].read(new))
    except CellFault:
        return True


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
    for row in found:
        row["device"] = row["device"] or cells.WIPE  # an empty cell would name the unit's own id
    if fmt == "csv":
        return cells.written(list(NAMES), found)
    if fmt == "json":
        return msgspec.json.format(msgspec.json.encode(found), indent=1)
    if fmt == "parquet":
        return cells.parquet_bytes(list(NAMES), found)
    raise RegistryFault(f"{fmt} is no format of the register: csv, json or parquet.")
