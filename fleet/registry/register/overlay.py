"""A row over what the register holds: an empty cell keeps, (none) empties."""

from __future__ import annotations

from fleet.registry.base import cells
from fleet.registry.base.cells import CellFault, Row
from fleet.registry.register.columns import BY_NAME
from fleet.registry.register.composed import usual_off

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


def changed(old: Row, new: Row) -> tuple[str, ...]:
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
