"""Engine hours that people read from the engine's own meter."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from fleet.model import Record, Unit
from scheduler.rules.service import hours_fact

ANCHOR_KINDS = ("hour_meter", "task_done")
"""Records in which a person read the engine's own meter."""


def anchors(unit: Unit, records: Iterable[Record]) -> tuple[tuple[int, float], ...]:
    """(moment, engine hours [h]) a person read, rising; of one moment the last record's.

    Gives: moments [UTC s] and hours [h]. Definition.
    """
    found: dict[int, float] = {}
    if unit.engine_hours is not None and unit.engine_hours_at is not None:
        found[unit.engine_hours_at] = unit.engine_hours
    for record in sorted(records, key=lambda r: (r.at, r.made_at, r.id)):
        hours = hours_fact(record) if record.kind in ANCHOR_KINDS else None
        if hours is not None:
            found[record.at] = hours
    return tuple(sorted(found.items()))


def with_register(read: tuple[tuple[int, float], ...], unit: Unit) -> tuple[tuple[int, float], ...]:
    """The anchors, with the hours the register gives for the last service (at noon UTC).

    read: moments [UTC s] and hours [h], rising.

    Gives: the same, moments [UTC s] and hours [h]. Definition.
    """
    if unit.last_service is None or unit.last_service_hours is None:
        return read
    try:
        noon = datetime.fromisoformat(unit.last_service[:10]).replace(hour=12, tzinfo=UTC)
    except ValueError:
        return read
    return tuple(sorted({int(noon.timestamp()): unit.last_service_hours, **dict(read)}.items()))
