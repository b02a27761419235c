"""What people did: appended, never changed; a correction is a new record that names the old."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, get_args
from uuid import NAMESPACE_URL, uuid5

import msgspec
import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.model import Calibration, Record, RecordKind
from fleet.registry import cells, fittings
from fleet.registry import tables as t
from fleet.registry.cells import CellFault, Source
from fleet.registry.engine import Registry
from fleet.registry.fittings import Claim
from fleet.registry.people_audit import note
from fleet.registry.people_types import Actor
from fleet.registry.records_check import Accepted, RecordRefused, check_records
from fleet.registry.records_facts import COLUMNS
from fleet.registry.statements import bump, note_changes, one_at_a_time
from fleet.registry.types import ImportReport, RowProblem
from fleet.registry.work_touches import touch_units
from fleet.registry.work_units import fittings_of

__all__ = ["Accepted", "RecordRefused", "add_record", "check_records", "import_records"]

HEAD_COLUMNS = ("id", "at", "by", "unit", "kind", "corrects")

_encode = msgspec.json.Encoder().encode


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
    _merge(touched, _refit(connection, new, now))
    _recalibrate(connection, new)
    units_changed(connection, touched, now)


def units_changed(connection: sa.Connection, touched: dict[str, int], now: int) -> None:
    """Facts of these units changed from these UTC days on: touch, count, tell the pages."""
    touch_units(connection, touched, now)
    units = sorted(touched)
    c = t.unit.c
    connection.execute(
        sa.update(t.unit).where(c.id == sa.bindparam("b_id")).values(facts_seq=c.facts_seq + 1),
        [{"b_id": unit} for unit in units],
    )
    bump(connection, "facts_version")
    rows = connection.execute(sa.select(c.id, c.customer).where(c.id.in_(units))).all()
    note_changes(connection, [{"at": now, "unit": r.id, "customer": r.customer} for r in rows])


def import_records(
    reg: Registry, source: Source, now: int, by: str, partial: bool = False
) -> ImportReport:
    """Append records of a CSV, JSON or Parquet file or of mappings, in order of their moments.

    Columns: at, unit, kind, by (else the argument), id (else made from the row, so that the same
    file again changes nothing), corrects, and what the kind needs. All or nothing, unless
    `partial`. Raises RegistryFault where the file cannot be read, RegistryDown.
    """
    rows = cells.rows_of(source)
    problems: list[RowProblem] = []
    with reg.read() as connection:
        zones = _zones(connection)
    parsed: list[tuple[int, Record]] = []
    for n, row in enumerate(rows, 1):
        try:
            parsed.append((n, _parse(row, zones, by, now)))
        except RecordRefused as refused:
            problems.append(_problem(n, refused))
    parsed.sort(key=lambda pair: (pair[1].corrects is not None, pair[1].at))
    accepted: list[Accepted] = []
    with reg.write() as connection:
        one_at_a_time(connection)
        outcomes = check_records(connection, [record for _, record in parsed], now)
        for (n, _), outcome in zip(parsed, outcomes, strict=True):
            if isinstance(outcome, RecordRefused):
                problems.append(_problem(n, outcome))
            else:
                accepted.append(outcome)
        written = partial or not problems
        if written:
            write_records(connection, accepted, now)
    problems.sort(key=lambda problem: problem.row)
    added = sum(one.new for one in accepted)
    return ImportReport(
        rows=len(rows), added=added if written else 0, unchanged=len(accepted) - added,
        refused=len(problems), problems=tuple(problems), written=written,
    )  # fmt: skip


def _problem(row: int, refused: RecordRefused) -> RowProblem:
    return RowProblem(
        row=row, column=refused.column, value=refused.value[:200], message=str(refused)
    )


def _zones(connection: sa.Connection) -> dict[str, str]:
    joined = t.unit.join(t.site, t.site.c.id == t.unit.c.site)
    query = sa.select(t.unit.c.id, t.site.c.zone).select_from(joined)
    return {row.id: row.zone for row in connection.execute(query)}


def _parse(row: Mapping[str, Any], zones: dict[str, str], by: str, now: int) -> Record:
    """A row as a record whose facts are not yet read."""
    known = (*HEAD_COLUMNS, *COLUMNS, "facts")
    for name, value in row.items():
        if name not in known and cells.present(value):
            hint = cells.nearest(name, known)
            raise RecordRefused(f"{name} is no column of records.{hint}", name, value)
    for name in ("at", "unit", "kind"):
        if not cells.present(row.get(name)):
            raise RecordRefused(f"{name} is missing: every record needs it.", name)
    column = "unit"
    try:
        unit = cells.identifier(row["unit"])
        column = "kind"
        kind: Any = cells.word(row["kind"], get_args(RecordKind))
        column = "at"
        at = cells.moment(row["at"], zones.get(unit, "UTC"))
        column = "by"
        who = cells.text(row["by"]) if cells.present(row.get("by")) else by
        column = "id"
        given = cells.identifier(row["id"]) if cells.present(row.get("id")) else None
        column = "corrects"
        corrects = cells.identifier(row["corrects"]) if cells.present(row.get("corrects")) else None
    except CellFault as fault:
        raise RecordRefused(f"{column} {fault}", column, row[column]) from None
    nested = row.get("facts")
    facts = dict(nested) if isinstance(nested, Mapping) else {}
    facts |= {k: v for k, v in row.items() if k in COLUMNS and cells.present(v)}
    made = given or str(
        uuid5(NAMESPACE_URL, repr((unit, kind, at, corrects, sorted(facts.items()))))
    )
    return Record(
        id=made, at=at, by=who, unit=unit, kind=kind, facts=facts, corrects=corrects, made_at=now
    )


def _first_moment(record: Record) -> int:
    """From when on the record changes what is known of its unit."""
    starts: list[int] = [
        record.facts[k] for k in ("from", "opened") if isinstance(record.facts.get(k), int)
    ]
    return min([record.at, *starts])


def _merge(touched: dict[str, int], more: Mapping[str, int]) -> None:
    for unit, day in more.items():
        touched[unit] = min(day, touched.get(unit, day))


def days_changed(changed: Mapping[str, int | None]) -> dict[str, int]:
    """Moments (None: always) as UTC days."""
    return {unit: 0 if at is None else at // DAY_S for unit, at in changed.items()}


def _row(record: Record) -> dict[str, Any]:
    return {
        "id": record.id, "unit": record.unit, "at": record.at, "made_at": record.made_at,
        "kind": record.kind, "corrects": record.corrects, "doc": _encode(record),
    }  # fmt: skip


def _refit(connection: sa.Connection, new: Sequence[Accepted], now: int) -> dict[str, int]:
    """Apply fittings and take corrected ones back; returns changed units with their UTC day."""
    said = [one.record for one in new if one.record.kind == "fitting"]
    undone = [one.old for one in new if one.old is not None and one.old.kind == "fitting"]
    if not said and not undone:
        return {}
    fittings.register_devices(connection, {r.facts["device"]: None for r in said}, now)
    fittings.put_claims(
        connection,
        [
            Claim(id=r.id, unit=r.unit, device=r.facts["device"], from_at=r.facts["from"],
                  said_at=r.made_at, said_by=r.by)
            for r in said
        ],
    )  # fmt: skip
    for old in undone:
        fittings.drop_claim(connection, old.id)
    involved = [*said, *undone]
    changed = fittings.rebuild(
        connection, [r.unit for r in involved], [r.facts["device"] for r in involved]
    )
    return days_changed(changed)


def _recalibrate(connection: sa.Connection, new: Sequence[Accepted]) -> None:
    """Write calibrations, take corrected ones back, and find the fitting each belongs to."""
    made = [(one.record.unit, one.calibration) for one in new if one.calibration is not None]
    if made:
        rows = [_calibration_row(unit, calibration) for unit, calibration in made]
        connection.execute(sa.insert(t.calibration), rows)
    for one in new:
        if one.old is not None and one.old.kind == "meter_check":
            connection.execute(sa.delete(t.calibration).where(t.calibration.c.id == one.old.id))
    for unit in sorted({unit for unit, _ in made}):
        fittings.refit_calibrations(connection, unit, fittings_of(connection, unit))


def _calibration_row(unit: str, calibration: Calibration) -> dict[str, Any]:
    return {
        "id": calibration.id, "unit": unit, "fitting": None, "channel": calibration.channel,
        "gain": calibration.gain, "zero": calibration.offset, "from_at": calibration.from_at,
        "doc": _encode(calibration),
    }  # fmt: skip
