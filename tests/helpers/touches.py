"""Touches of one unit, read back."""

from __future__ import annotations

import sqlalchemy as sa

from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import UnitTouch


def clear(reg: Registry) -> None:
    with reg.write() as connection:
        connection.execute(sa.delete(tables.touch))


def days_of(touches: list[UnitTouch]) -> dict[str, list[tuple[int, bool]]]:
    return {x.unit: [(day, onward) for day, onward, _ in x.days] for x in touches}
