"""The register: importing units, exporting them. Plans: `import_plans`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal
from uuid import NAMESPACE_URL, uuid5

import msgspec
import sqlalchemy as sa

from fleet.model import Customer, ExerciseBefore, Record, Scope, Site, Unit
from fleet.registry import cells, fittings
from fleet.registry import tables as t
from fleet.registry.cells import Source
from fleet.registry.engine import Registry
from fleet.registry.fittings import Claim
from fleet.registry.pages_unit import unit_row, units_query
from fleet.registry.records import days_changed, units_changed, write_records
from fleet.registry.records_check import Accepted, RecordRefused, check_records
from fleet.registry.register_columns import DAYS_CHANGE, NAMES, row_of
from fleet.registry.register_plans import import_plans, put_shipped
from fleet.registry.register_read import Draft, FindZone, Known, read_row
from fleet.registry.statements import counted, insert, one_at_a_time, upsert
from fleet.registry.types import ImportReport, RegistryFault, RowProblem
from fleet.registry.work_units import standing_records

__all__ = ["export_units", "import_plans", "import_units"]

DAY_S = 86_400
FROM_REGISTER = "from the register"
PLANS_KEPT = 12
"""Earlier agreements of a set's exercise that are kept."""

_encode = msgspec.json.Encoder().encode


def import_units(
    reg: Registry, source: Source, now: int, by: str, partial: bool = False
) -> ImportReport:
    """Take a register: a row a unit, with its customer, site, device and plan.

    A unit that exists is updated; columns left out of the file stay as they are, an empty cell
    empties. A device named for the first time speaks for the unit from the beginning; a device
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
            added, changed = _write(connection, drafts, known, now, by)
        return ImportReport(
            rows=len(rows), added=added, changed=changed,
            unchanged=len(drafts) - added - changed, refused=refused, problems=tuple(problems),
        )  # fmt: skip


def export_units(reg: Registry, scope: Scope, fmt: Literal["csv", "json", "parquet"]) -> bytes:
    """The register of a scope in the columns an import reads. CSV texts are safe in a spreadsheet.

    Raises RegistryFault for an unknown format, or Parquet without its package.
    """
    with reg.read() as connection:
        rows = connection.execute(units_query(scope).order_by(t.unit.c.id)).all()
        query = sa.select(t.device.c.id, t.device.c.grp)
        groups = {row.id: row.grp for row in connection.execute(query)}
    units = [unit_row(row) for row in rows]
    found = [row_of(u, s, c.name, groups.get(u.device, "")) for u, s, c, _ in units]
    if fmt == "csv":
        return cells.written(list(NAMES), found)
    if fmt == "json":
        return msgspec.json.format(_encode(found), indent=1)
    if fmt == "parquet":
        return cells.parquet_bytes(list(NAMES), found)
    raise RegistryFault(f"{fmt} is no format of the register: csv, json or parquet.")


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
) -> tuple[int, int]:
    """Write right rows; returns how many units were added and how many changed."""
    put_shipped(connection, now)
    new = {draft.unit.id for draft in drafts if draft.unit.id not in known.units}
    _first_devices(connection, drafts, known)
    _date_plans(drafts, known, now)
    moved = _write_places(connection, drafts)
    touched = dict.fromkeys(new, 0) | _changed_days(drafts, known, moved, now)
    _write_units(connection, [d for d in drafts if d.unit.id in touched])
    fitted = _write_devices(connection, drafts, known, now, by)
    records = _hour_records(connection, drafts, known, now, by) + fitted
    grouped = _write_groups(connection, drafts, known, now)
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
    return len(new), len(changed - new)


def _write_places(connection: sa.Connection, drafts: Sequence[Draft]) -> dict[str, bool]:
    """Customers and sites; returns the sites that changed, and whether their zone did."""
    customers = {draft.customer.id: draft.customer for draft in drafts}
    sites = {draft.site.id: draft.site for draft in drafts}
    dialect = connection.dialect.name
    rows = [{"id": c.id, "name": c.name, "doc": _encode(c)} for c in customers.values()]
    if rows:
        connection.execute(upsert(dialect, t.customer), rows)
    old = {row.id: row for row in connection.execute(sa.select(t.site)) if row.id in sites}
    moved = {
        site.id: old[site.id].zone != site.time_zone
        for site in sites.values()
        if site.id in old and old[site.id].doc != _encode(site)
    }
    site_rows = [
        {"id": s.id, "customer": s.customer, "zone": s.time_zone, "doc": _encode(s)}
        for s in sites.values()
    ]
    if site_rows:
        connection.execute(upsert(dialect, t.site), site_rows)
    return moved


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


def _write_units(connection: sa.Connection, drafts: Sequence[Draft]) -> None:
    rows = [_unit_row(d.unit, d.site, d.customer) for d in drafts]
    statement = insert(connection, t.unit)
    if rows:
        kept = {"facts_seq": t.unit.c.facts_seq}
        names = ("customer", "site", "area", "plan", "words", "doc")
        changes = {name: statement.excluded[name] for name in names}
        fresh = statement.on_conflict_do_update(index_elements=["id"], set_=changes | kept)
        connection.execute(fresh, rows)


def _unit_row(unit: Unit, site: Site, customer: Customer) -> dict[str, Any]:
    words = (
        unit.id, site.name, customer.name, site.address, unit.make, unit.model, unit.serial,
        unit.area, unit.contact, unit.phone, site.contact, site.phone, customer.phone,
    )  # fmt: skip
    phones = (unit.phone, site.phone, customer.phone)
    digits = dict.fromkeys("".join(filter(str.isdigit, phone)) for phone in phones)
    return {
        "id": unit.id, "customer": customer.id, "site": site.id, "area": unit.area,
        "plan": unit.service_plan, "words": "\n".join(filter(None, (*words, *digits))).lower(),
        "facts_seq": 0, "doc": _encode(unit),
    }  # fmt: skip


def _first_devices(connection: sa.Connection, drafts: Sequence[Draft], known: Known) -> None:
    """Give each new unit its first device: the one named, else the one of the same id if free."""
    named = {draft.device for draft in drafts if draft.device}
    taken = named | set(connection.execute(sa.select(t.claim.c.device)).scalars())
    for draft in drafts:
        if draft.unit.id not in known.units:
            device = draft.device or ("" if draft.unit.id in taken else draft.unit.id)
            draft.unit = msgspec.structs.replace(draft.unit, device=device)


def _date_plans(drafts: Sequence[Draft], known: Known, now: int) -> None:
    """Keep what was agreed of the exercise until now where it changes; a first plan has no past."""
    for draft in drafts:
        old, new = known.units.get(draft.unit.id), draft.unit
        if old is None:
            continue
        before = old.exercise_before
        terms = (old.exercise, old.exercise_minutes, old.exercise_load)
        agreed = bool(old.exercise or before)
        if agreed and terms != (new.exercise, new.exercise_minutes, new.exercise_load):
            ended = ExerciseBefore(until_at=now, rule=terms[0], minutes=terms[1], load=terms[2])
            before = (*before, ended)[-PLANS_KEPT:]
        draft.unit = msgspec.structs.replace(new, exercise_before=before)


def _write_devices(
    connection: sa.Connection, drafts: Sequence[Draft], known: Known, now: int, by: str
) -> list[Record]:
    """First fittings, from the beginning; what must be a fitting from now on is returned.

    That is a device named after the one before was heard, after a person recorded a fitting of
    the unit, or after it spoke for another unit: nothing already read changes its unit.
    """
    claims: list[Claim] = []
    records: list[Record] = []
    heard, said = _heard(connection), _with_records(connection)
    claimed = {row.device: row.unit for row in connection.execute(sa.select(t.claim))}
    for draft in drafts:
        unit, old = draft.unit.id, known.units.get(draft.unit.id)
        device = draft.device if old else draft.unit.device
        if not device or (old is not None and device == old.device):
            continue
        settled = old is not None and (old.device in heard or unit in said)
        if settled or claimed.get(device, unit) != unit:
            records.append(_swap(unit, device, now, by))
            continue
        claims.append(Claim(id=f"fit-{uuid5(NAMESPACE_URL, unit)}", unit=unit, device=device,
                            from_at=None, said_at=now, said_by=by))  # fmt: skip
    fittings.register_devices(connection, {claim.device: None for claim in claims}, now)
    fittings.put_claims(connection, claims)
    changed = fittings.rebuild(connection, [c.unit for c in claims], [c.device for c in claims])
    old_units = {u: day for u, day in days_changed(changed).items() if u in known.units}
    if old_units:
        units_changed(connection, old_units, now)
    return records


def _heard(connection: sa.Connection) -> set[str]:
    return set(connection.execute(sa.select(t.pulse.c.device)).scalars())


def _with_records(connection: sa.Connection) -> set[str]:
    """Units whose fittings a person recorded."""
    query = sa.select(t.claim.c.unit).where(t.claim.c.from_at.is_not(None))
    return set(connection.execute(query).scalars())


def _swap(unit: str, device: str, now: int, by: str) -> Record:
    made = uuid5(NAMESPACE_URL, f"{unit}\n{device}\n{now}")
    facts = {"device": device, "from": now, "text": "device changed in the register"}
    return Record(id=str(made), at=now, by=by, unit=unit, kind="fitting", facts=facts, made_at=now)


def _write_groups(
    connection: sa.Connection, drafts: Iterable[Draft], known: Known, now: int
) -> set[str]:
    """Groups of devices named by rows; returns the units whose device got another group."""
    query = sa.select(t.fitting.c.unit, t.fitting.c.device, t.device.c.grp)
    joined = t.fitting.join(t.device, t.device.c.id == t.fitting.c.device)
    open_now = query.select_from(joined).where(t.fitting.c.to_at.is_(None))
    fitted = {row.unit: row for row in connection.execute(open_now)}
    changed = {
        d.unit.id: (fitted[d.unit.id].device, d.group)
        for d in drafts
        if d.group and d.unit.id in fitted and fitted[d.unit.id].grp != d.group
    }
    fittings.register_devices(connection, dict(changed.values()), now)
    return {unit for unit in changed if unit in known.units}


def _hour_records(
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
            Record(id=str(id), at=at, by=by, unit=unit.id, kind="hour_meter", corrects=corrects,
                   made_at=now, facts=facts)
        )  # fmt: skip
    return records
