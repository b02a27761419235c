"""Records from a table: a row each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args
from uuid import NAMESPACE_URL, uuid5

import sqlalchemy as sa

from fleet.model import Record, RecordKind
from fleet.registry.base import cells
from fleet.registry.base import tables as t
from fleet.registry.base.cells import CellFault, Source
from fleet.registry.base.engine import Registry
from fleet.registry.base.reports import ImportReport, RowProblem
from fleet.registry.base.statements import one_at_a_time
from fleet.registry.facts.records.check import Accepted, RecordRefused, check_records
from fleet.registry.facts.records.facts import COLUMNS
from fleet.registry.facts.records.writing import write_records

HEAD_COLUMNS = ("id", "at", "by", "unit", "kind", "corrects")


def import_records(
    reg: Registry, source: Source, now: int, by: str, partial: bool = False
) -> ImportReport:
    """Append records of a CSV, JSON or Parquet file or of mappings, in order of their moments.

    Columns: at, unit, kind, by (else the argument), id (else made from the row, so that the same
    file again changes nothing), corrects, and what the kind needs. All or nothing, unless
    `partial`. `by` stays as given, since whoever runs the import has the box; the records are
    marked as imported. Raises RegistryFault where the file cannot be read, RegistryDown.
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
        rows=len(rows),
        added=added if written else 0,
        unchanged=len(accepted) - added,
        refused=len(problems),
        problems=tuple(problems),
        written=written,
    )


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
        id=made,
        at=at,
        by=who,
        unit=unit,
        kind=kind,
        facts=facts,
        corrects=corrects,
        made_at=now,
        via="import",
    )
