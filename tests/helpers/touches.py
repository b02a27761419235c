"""Touches of one unit, read back."""

from __future__ import annotations

import sqlalchemy as sa

from fleet.registry import tables as t
from fleet.registry.engine import Registry
from fleet.registry.types import UnitTouch


def clear(reg: Registry) -> None:
    with reg.write() as connection:
        connection.execute(sa.delete(t.touch))


def days_of(touches: list[UnitTouch]) -> dict[str, list[tuple[int, bool]]]:
    return {x.unit: [(day, onward) for day, onward, _ in x.days] for x in touches}
