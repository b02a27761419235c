"""Taking a register: all its rows are read, then written in one go or not at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.model import Record
from fleet.registry.base import cells
from fleet.registry.base.cells import Row, Source
from fleet.registry.base.engine import Registry
from fleet.registry.base.reports import ImportReport, RowChange, RowProblem
from fleet.registry.base.statements import counted, one_at_a_time
from fleet.registry.facts.records import units_changed, write_records
from fleet.registry.facts.records.check import Accepted, RecordRefused, check_records
from fleet.registry.facts.units import standing_records
from fleet.registry.register.columns import DAYS_CHANGE
from fleet.registry.register.devices import first_devices, write_devices, write_groups
from fleet.registry.register.reading import Draft, FindZone, Known, read_row
from fleet.registry.register.row import columns_changed, row_of
from fleet.registry.register.service_plans import put_shipped
from fleet.registry.register.writing import date_plans, write_places, write_units


def import_units(
    reg: Registry, source: Source, now: int, by: str, partial: bool = False
) -> ImportReport:
    """Take a register: a row a unit, with its customer, site, device and plan.

    A unit that exists is updated: a column left out of the file and an empty cell keep what is
    there, the word (none) empties. A device named for the first time speaks for the unit from the beginning; a device
    changed after the old one was heard becomes a fitting from `now`. All or nothing, unless
    `partial`. Raises RegistryFault where the file cannot be read, RegistryDown.
    """
    rows = cells.rows_of(source)
    find_zone = _zone_finder()
    while True:
        with reg.read() as connection:
            version, known = counted(connection, "facts_version"), Known(connection)
        drafts: list[Draft] = []
        problems: list[RowProblem] = []
        for n, row in enumerate(rows, 1):
            read = read_row(n, row, known, find_zone, now)
            if isinstance(read, Draft):
                drafts.append(read)
            else:
                problems += read
        refused = len(rows) - len(drafts)
        if problems and not partial:
            return ImportReport(
                rows=len(rows), refused=refused, problems=tuple(problems), written=False
            )
        with reg.write() as connection:
            one_at_a_time(connection)
            if counted(connection, "facts_version") != version:
                continue  # somebody changed the register meanwhile: read it again
            before = {draft.unit.id: _row_before(known, draft) for draft in drafts}
            added, changed = _write(connection, drafts, known, now, by)
        return ImportReport(
            rows=len(rows),
            added=len(added),
            changed=len(changed),
            unchanged=len(drafts) - len(added) - len(changed),
            refused=refused,
            problems=tuple(problems),
            changes=_changes(drafts, before, added, changed),
        )


def _row_before(known: Known, draft: Draft) -> Row:
    unit = known.units.get(draft.unit.id)
    return {} if unit is None else known.row(unit)


def _changes(
    drafts: Sequence[Draft], before: Mapping[str, Row], added: set[str], changed: set[str]
) -> tuple[RowChange, ...]:
    """What became of each row that did something."""
    found = []
    for draft in drafts:
        unit = draft.unit
        if unit.id in added:
            found.append(RowChange(row=draft.row, id=unit.id, new=True))
        elif unit.id in changed:
            old = before[unit.id]
            group = old.get("group", "") if draft.group is None else draft.group
            new = row_of(unit, draft.site, draft.customer.name, group)
            new["device"] = draft.device or new["device"]
            found.append(RowChange(row=draft.row, id=unit.id, columns=columns_changed(old, new)))
    return tuple(found)


def _zone_finder() -> FindZone:
    """Finds zones by place; its tables are loaded at the first question."""
    loaded: list[Any] = []

    def find(lat: float, lon: float) -> str | None:
        if not loaded:
            from timezonefinder import TimezoneFinder

            loaded.append(TimezoneFinder())
        found: str | None = loaded[0].timezone_at(lng=lon, lat=lat)
        return found

    return find


def _write(
    connection: sa.Connection, drafts: Sequence[Draft], known: Known, now: int, by: str
) -> tuple[set[str], set[str]]:
    """Write right rows; returns the units that were added and those that changed."""
    put_shipped(connection, now)
    new = {draft.unit.id for draft in drafts if draft.unit.id not in known.units}
    first_devices(connection, drafts, known)
    date_plans(drafts, known, now)
    moved = write_places(connection, drafts)
    touched = dict.fromkeys(new, 0) | _changed_days(drafts, known, moved, now)
    write_units(connection, [d for d in drafts if d.unit.id in touched])
    fitted = write_devices(connection, drafts, known, now, by)
    records = hour_records(connection, drafts, known, now, by) + fitted
    grouped = write_groups(connection, drafts, known, now)
    if touched or grouped:
        units_changed(
            connection, touched | dict.fromkeys(grouped - set(touched), now // DAY_S), now
        )
    accepted: list[Accepted] = []
    for outcome in check_records(connection, records, now):
        if isinstance(outcome, RecordRefused):
            raise outcome
        accepted.append(outcome)
    write_records(connection, accepted, now)
    changed = ({r.unit for r in records} | set(touched) | grouped) & {d.unit.id for d in drafts}
    return new, changed - new


def _changed_days(
    drafts: Sequence[Draft], known: Known, moved: dict[str, bool], now: int
) -> dict[str, int]:
    """Existing units that change, with the UTC day from which on they are computed again."""
    changed: dict[str, int] = {}
    for unit in known.units.values():
        if unit.site in moved:
            changed[unit.id] = 0 if moved[unit.site] else now // DAY_S
    for draft in drafts:
        old = known.units.get(draft.unit.id)
        if old is not None and old != draft.unit:
            days = any(getattr(old, name) != getattr(draft.unit, name) for name in DAYS_CHANGE)
            changed[old.id] = 0 if days else changed.get(old.id, now // DAY_S)
    return changed


FROM_REGISTER = "from the register"


def hour_records(
    connection: sa.Connection, drafts: Sequence[Draft], known: Known, now: int, by: str
) -> list[Record]:
    """The register's engine hours as readings of the engine's own meter: anchors.

    Other hours at another moment are one more anchor; other hours at the same moment correct it.
    """
    records = []
    for draft in drafts:
        unit, old = draft.unit, known.units.get(draft.unit.id)
        hours, at = unit.engine_hours, unit.engine_hours_at
        if (
            hours is None
            or at is None
            or (old and (old.engine_hours, old.engine_hours_at) == (hours, at))
        ):
            continue
        before = [r for r in standing_records(connection, unit.id) if r.at == at] if old else []
        made = [
            r for r in before if r.kind == "hour_meter" and r.facts.get("text") == FROM_REGISTER
        ]
        if made and made[-1].facts.get("hours") == hours:
            continue
        corrects = made[-1].id if made else None
        id = uuid5(NAMESPACE_URL, f"engine_hours\n{unit.id}\n{hours}\n{at}\n{corrects}")
        facts = {"hours": hours, "text": FROM_REGISTER}
        records.append(
            Record(
                id=str(id),
                at=at,
                by=by,
                unit=unit.id,
                kind="hour_meter",
                corrects=corrects,
                made_at=now,
                facts=facts,
                via="import",
            )
        )
    return records
