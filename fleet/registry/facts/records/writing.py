"""Records appended with their consequences, in one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.model import Record
from fleet.registry.base import documents
from fleet.registry.base import tables as t
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import one_at_a_time
from fleet.registry.facts.records.check import Accepted, RecordRefused, check_records
from fleet.registry.facts.records.consequences import (
    declare,
    recalibrate,
    refit,
    units_changed,
)
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor


def add_record(reg: Registry, record: Record, now: int, by: Actor | None = None) -> Record:
    """Append a record with its consequences, in one transaction; returns it as kept.

    Facts are checked by kind (times as ISO text or UTC seconds); the unit is computed again from
    the record's moment on. The same id with the same content again changes nothing. by: who adds
    it, for the audit. Raises RecordRefused with a sentence, RegistryDown.
    """
    with reg.write() as connection:
        one_at_a_time(connection)
        (outcome,) = check_records(connection, [record], now)
        if isinstance(outcome, RecordRefused):
            raise outcome
        write_records(connection, [outcome], now)
        if by is not None and outcome.new:
            note(connection, now, "record_added", by, record.unit, f"{record.kind} {record.id}")
    return outcome.record


def write_records(connection: sa.Connection, accepted: Sequence[Accepted], now: int) -> None:
    """Append accepted records and bring about what follows from them."""
    new = [one for one in accepted if one.new]
    if not new:
        return
    connection.execute(sa.insert(t.record), [_row(one.record) for one in new])
    touched: dict[str, int] = {}
    for record in (r for one in new for r in (one.record, one.old) if r is not None):
        _merge(touched, {record.unit: _first_moment(record) // DAY_S})
    _merge(touched, refit(connection, new, now))
    _merge(touched, declare(connection, new))
    recalibrate(connection, new)
    units_changed(connection, touched, now)


def _first_moment(record: Record) -> int:
    """From when on the record changes what is known of its unit; a format, since its beginning."""
    if record.kind == "hour_format":
        return 0
    starts: list[int] = [
        record.facts[k] for k in ("from", "opened") if isinstance(record.facts.get(k), int)
    ]
    return min([record.at, *starts])


def _merge(touched: dict[str, int], more: Mapping[str, int]) -> None:
    for unit, day in more.items():
        touched[unit] = min(day, touched.get(unit, day))


def _row(record: Record) -> dict[str, Any]:
    return {
        "id": record.id,
        "unit": record.unit,
        "at": record.at,
        "made_at": record.made_at,
        "kind": record.kind,
        "corrects": record.corrects,
        "doc": documents.encode(record),
    }
