"""Checking records before they are appended: each is accepted, or refused with a sentence.

Nothing is written here, and nothing that is accepted can fail later: so a batch is all or nothing
without undoing anything.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import islice
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.calibration import CalibrationRefused
from fleet.model import ID, Record, ServicePlan, Unit
from fleet.registry.base import cells, documents
from fleet.registry.base import tables as t
from fleet.registry.base.faults import RegistryFault
from fleet.registry.facts import calibrations
from fleet.registry.facts.records.facts import EARLIEST, About, FactFault, read_facts
from fleet.registry.facts.units import fittings_of

AHEAD_S = 600
"""A record may be this far ahead of our clock: clocks of phones differ. Common practice, no
source."""
_CHUNK = 5_000


class RecordRefused(RegistryFault):
    """A record cannot be taken. Says why and what to do; `column` and `value` say where."""

    def __init__(self, message: str, column: str = "", value: object = "") -> None:
        super().__init__(message)
        self.column = column
        self.value = str(value)


class Accepted(msgspec.Struct, frozen=True, kw_only=True):
    """A record as it is kept. new False: it was there already. old: the one it corrects."""

    record: Record
    new: bool = True
    old: Record | None = None


class _Known:
    """What the records of a batch are checked against; accepted ones are added to it."""

    def __init__(self, connection: sa.Connection, records: Sequence[Record]) -> None:
        self.units = _units(connection, {record.unit for record in records})
        named = {record.id for record in records} | {r.corrects for r in records if r.corrects}
        self._connection = connection
        self._checks: dict[str, dict[str, Record]] = {}
        self.records: dict[str, Record] = {}
        self.corrected: dict[str, str] = {}
        c = t.record.c
        for some in _chunks(named):
            for doc in connection.execute(sa.select(c.doc).where(c.id.in_(some))).scalars():
                found = documents.record(doc)
                self.records[found.id] = found
            query = sa.select(c.id, c.corrects).where(c.corrects.in_(some))
            self.corrected |= {row.corrects: row.id for row in connection.execute(query)}

    def checks(self, unit: str) -> dict[str, Record]:
        """The meter checks of a unit that stand, by id."""
        if unit not in self._checks:
            found = calibrations.checks_of(self._connection, unit)
            self._checks[unit] = {record.id: record for record in found}
        return self._checks[unit]

    def earlier(self, check: Record) -> list[Record]:
        """The checks of the same channel and fitting before one."""
        fitted = fittings_of(self._connection, check.unit)
        return calibrations.earlier_checks(check, self.checks(check.unit).values(), fitted)

    def add(self, accepted: Accepted) -> None:
        """Count an accepted record among what is known."""
        record = accepted.record
        self.records[record.id] = record
        if not accepted.new:
            return
        if record.corrects is not None:
            self.corrected[record.corrects] = record.id
            self.checks(record.unit).pop(record.corrects, None)
        if record.kind == "meter_check":
            self.checks(record.unit)[record.id] = record


def check_records(
    connection: sa.Connection, records: Sequence[Record], now: int
) -> list[Accepted | RecordRefused]:
    """An outcome for each record, in order. A record may correct one before it in the batch."""
    known = _Known(connection, records)
    outcomes: list[Accepted | RecordRefused] = []
    for record in records:
        try:
            accepted = _check(record, known, now)
        except RecordRefused as refused:
            outcomes.append(refused)
            continue
        known.add(accepted)
        outcomes.append(accepted)
    return outcomes


def _check(record: Record, known: _Known, now: int) -> Accepted:
    _check_head(record, now)
    found = known.units.get(record.unit)
    if found is None:
        raise RecordRefused(
            f"There is no unit {cells.shown(record.unit)}: import it first, or mend the id.",
            "unit",
            record.unit,
        )
    unit, zone, plan = found
    try:
        facts = read_facts(record.kind, record.facts, About(unit, zone, plan, record.at))
    except FactFault as fault:
        raise RecordRefused(str(fault), fault.name, fault.value) from None
    if record.kind == "fitting" and facts["from"] > now + AHEAD_S:
        raise RecordRefused(
            "from lies in the future: record a fitting once it is done.", "from", facts["from"]
        )
    kept = msgspec.structs.replace(record, facts=facts, made_at=record.made_at or now)
    stored = known.records.get(record.id)
    if stored is not None:
        return Accepted(record=_same(stored, kept), new=False)
    old = _corrected(kept, known)
    if kept.kind == "meter_check":
        try:
            calibrations.line_of(kept, known.earlier(kept), unit)
        except CalibrationRefused as refused:
            raise RecordRefused(str(refused), "raw", facts["raw"]) from refused
    return Accepted(record=kept, old=old)


def _check_head(record: Record, now: int) -> None:
    if ID.fullmatch(record.id) is None:
        raise RecordRefused(
            "id must be 1 to 64 letters, digits, _ or -: best a UUID.", "id", record.id
        )
    if record.at > now + AHEAD_S:
        raise RecordRefused(
            "at lies more than 10 min in the future: write down what was done, when it was done.",
            "at",
            record.at,
        )
    if record.at < EARLIEST:
        raise RecordRefused("at lies before 1990: mend the year.", "at", record.at)
    if not record.by.strip():
        raise RecordRefused("by is missing: say who did it.", "by")
    try:
        cells.text(record.by)
    except cells.CellFault as fault:
        raise RecordRefused(f"by {fault}", "by", cells.shown(record.by)) from None


def _same(stored: Record, given: Record) -> Record:
    """The stored record, where the given one says the same, whichever way it came."""
    way = ("made_at", "entered_by", "via", "named", "job")
    if msgspec.structs.replace(given, **{name: getattr(stored, name) for name in way}) == stored:
        return stored
    raise RecordRefused(
        f"A record {stored.id} exists and says something else. Records are never changed: "
        "write a new one whose corrects names it.",
        "id",
        stored.id,
    )


def _corrected(record: Record, known: _Known) -> Record | None:
    """The record this one corrects. Raises RecordRefused where it cannot be corrected."""
    if record.corrects is None:
        return None
    old = known.records.get(record.corrects)
    if old is None:
        raise RecordRefused(
            f"corrects names {cells.shown(record.corrects)}, and there is no such record.",
            "corrects",
            record.corrects,
        )
    newer = known.corrected.get(record.corrects)
    if newer is not None:
        raise RecordRefused(
            f"{record.corrects} was corrected already, by {newer}: correct that one.",
            "corrects",
            record.corrects,
        )
    return old


def _units(
    connection: sa.Connection, named: Collection[str]
) -> dict[str, tuple[Unit, str, ServicePlan | None]]:
    """Unit, zone of its site, plan, by id."""
    plans = {row.id: documents.plan(row.doc) for row in connection.execute(sa.select(t.plan))}
    joined = t.unit.join(t.site, t.site.c.id == t.unit.c.site)
    query = sa.select(t.unit.c.id, t.unit.c.doc, t.unit.c.plan, t.site.c.zone).select_from(joined)
    return {
        row.id: (documents.unit(row.doc), row.zone, plans.get(row.plan))
        for some in _chunks(named)
        for row in connection.execute(query.where(t.unit.c.id.in_(some)))
    }


def _chunks(values: Collection[Any]) -> Iterator[list[Any]]:
    """Parts small enough for one statement."""
    left = iter(sorted(values))
    while some := list(islice(left, _CHUNK)):
        yield some
