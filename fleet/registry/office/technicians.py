"""Technicians: kept, listed, and brought in from a file."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet import bounds
from fleet.calendar import ZoneUnknown, zone_named
from fleet.model import ID, Leave, SkillHeld, Technician
from fleet.registry.base import cells, documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.reports import ImportReport, RowChange, RowProblem
from fleet.registry.base.statements import upsert
from fleet.registry.office.technicians_hours import HoursFault, read_hours
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor

COLUMNS = (
    "id",
    "name",
    "lat",
    "lon",
    "time_zone",
    "base",
    "phone",
    "week",
    "skills",
    "leave",
    "stock",
)


class TechnicianRefused(RegistryFault):
    """A technician cannot be kept so. A sentence: what was wrong and what to do."""


def save_technician(reg: Registry, technician: Technician, now: int, by: Actor) -> None:
    """Add or change a technician. Raises TechnicianRefused."""
    named = _zone(technician.time_zone)
    technician = msgspec.structs.replace(technician, time_zone=named)
    check_technician(technician)
    with reg.write() as connection:
        c = tables.technician.c
        if technician.person:
            known = sa.select(tables.person.c.id).where(tables.person.c.id == technician.person)
            if connection.execute(known).first() is None:
                raise TechnicianRefused("There is no such person among those who sign in.")
            other = sa.select(c.id).where(c.person == technician.person, c.id != technician.id)
            if taken := connection.execute(other).scalar():
                raise TechnicianRefused(f"That person is the technician {taken} already.")
        _keep(connection, technician)
        note(connection, now, "technician_changed", by, technician.id)


def _keep(connection: sa.Connection, technician: Technician) -> None:
    row = {
        "id": technician.id,
        "person": technician.person or None,
        "doc": documents.encode(technician),
    }
    connection.execute(upsert(connection.dialect.name, tables.technician), row)


def check_technician(technician: Technician) -> None:
    """Raises TechnicianRefused, naming the field."""
    if not ID.fullmatch(technician.id):
        raise TechnicianRefused("id: use letters, digits, - and _, at most 64 of them.")
    if not 1 <= len(technician.name.strip()) <= 100 or not technician.name.isprintable():
        raise TechnicianRefused("name: give a name of at most 100 letters.")
    if not (abs(technician.lat) <= 90 and abs(technician.lon) <= 180):
        raise TechnicianRefused("base: the latitude is at most 90, the longitude at most 180.")
    _zone(technician.time_zone)
    for leave in technician.leave:
        if _day(leave.first, "leave") > _day(leave.last, "leave"):
            raise TechnicianRefused("leave: it ends before it begins.")
    for skill in technician.skills:
        if skill.until:
            _day(skill.until, "skills")


def _zone(text: str) -> str:
    try:
        return zone_named(text)
    except ZoneUnknown as fault:
        raise TechnicianRefused(f"time_zone: {fault}") from None


def _day(text: str, field: str) -> date:
    try:
        return bounds.day(text)
    except ValueError:
        raise TechnicianRefused(f"{field}: {text[:20]!r} is no date; write YYYY-MM-DD.") from None


def technicians(reg: Registry, active_only: bool = False) -> list[Technician]:
    """All technicians by name."""
    with reg.read() as connection:
        docs = connection.execute(sa.select(tables.technician.c.doc)).scalars().all()
    found = sorted((documents.technician(doc) for doc in docs), key=lambda one: (one.name, one.id))
    return [one for one in found if one.active or not active_only]


def technician(reg: Registry, id: str) -> Technician | None:
    """One technician."""
    with reg.read() as connection:
        doc = connection.execute(
            sa.select(tables.technician.c.doc).where(tables.technician.c.id == id)
        ).scalar()
    return None if doc is None else documents.technician(doc)


def of_person(reg: Registry, person: str | None) -> Technician | None:
    """The technician who signs in as this person."""
    if not person:
        return None
    with reg.read() as connection:
        doc = connection.execute(
            sa.select(tables.technician.c.doc).where(tables.technician.c.person == person)
        ).scalar()
    return None if doc is None else documents.technician(doc)


def import_technicians(
    reg: Registry,
    source: Path | Iterable[Mapping[str, Any]],
    now: int,
    by: str = "office",
    partial: bool = False,
) -> ImportReport:
    """Technicians from CSV, JSON or Parquet (columns COLUMNS) or rows; nothing is written where a
    row is wrong, unless `partial`. Of one who is there, an empty cell or a column left out keeps
    what it said, and (none) empties."""
    rows = cells.rows_of(source)
    problems: list[RowProblem] = []
    good: list[tuple[int, Technician]] = []
    known = {one.id: one for one in technicians(reg)}
    for n, row in enumerate(rows, 1):
        try:
            made = technician_of(row, known)
            check_technician(made)
            good.append((n, made))
        except (TechnicianRefused, HoursFault) as fault:
            problems.append(RowProblem(row=n, column="", value="", message=str(fault)))
    if problems and not partial:
        return ImportReport(
            rows=len(rows), refused=len(problems), problems=tuple(problems), written=False
        )
    actor = Actor(by)
    changes = []
    with reg.write() as connection:
        for n, made in good:
            old = known.get(made.id)
            if made == old:
                continue
            _keep(connection, made)
            note(connection, now, "technician_changed", actor, made.id)
            columns = tuple(
                name for name in COLUMNS if old and getattr(old, name) != getattr(made, name)
            )
            changes.append(RowChange(row=n, id=made.id, new=old is None, columns=columns))
    added = sum(change.new for change in changes)
    return ImportReport(
        rows=len(rows),
        added=added,
        changed=len(changes) - added,
        unchanged=len(good) - len(changes),
        refused=len(problems),
        problems=tuple(problems),
        changes=tuple(changes),
    )


def technician_of(row: Mapping[str, Any], known: Mapping[str, Technician]) -> Technician:
    """A row's technician, over the one known by that id. Raises TechnicianRefused, HoursFault."""
    for name, value in row.items():
        if name not in COLUMNS and cells.present(value):
            hint = cells.nearest(name, COLUMNS)
            raise TechnicianRefused(f"{name} is no column of technicians.{hint}")
    id = str(row.get("id") or "").strip()
    old = known.get(id)
    text = {name: str(value).strip() for name, value in row.items() if cells.present(value)}
    needed = [name for name in ("id", "name", "lat", "lon") if cells.wiped(text.get(name))]
    if needed:
        raise TechnicianRefused(f"{needed[0]} cannot be emptied.")
    if old is None:
        missing = [name for name in ("id", "name", "lat", "lon") if name not in text]
        if missing:
            raise TechnicianRefused(f"{missing[0]} is missing: every technician needs it.")
        old = Technician(id=id, name="", lat=0.0, lon=0.0, week=read_hours(USUAL_WEEK))
    fields: dict[str, Any] = {}
    for name, read in READ.items():
        if cells.wiped(text.get(name)):
            fields[name] = EMPTY.get(name, "")
        elif name in text:
            fields[name] = read(text[name])
    return msgspec.structs.replace(old, **fields)


def _number(text: str, field: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise TechnicianRefused(f"{field}: {text[:20]!r} is no number.") from None


def read_skills(text: str) -> tuple[SkillHeld, ...]:
    """ "gas until 2027-03-31, engine" as skills with their last valid days."""
    found = []
    for piece in filter(None, (part.strip() for part in re.split(r"[,;\n]", text))):
        name, _, until = piece.partition(" until ")
        found.append(SkillHeld(name.strip()[:60], until.strip()))
    return tuple(found)


def say_skills(skills: Iterable[SkillHeld]) -> str:
    """The same as text."""
    return ", ".join(f"{s.name} until {s.until}" if s.until else s.name for s in skills)


def read_leave(text: str) -> tuple[Leave, ...]:
    """ "2026-12-24 to 2027-01-02 holiday" a line. Raises TechnicianRefused."""
    found = []
    for piece in filter(None, (part.strip() for part in re.split(r"[,;\n]", text))):
        match = re.fullmatch(r"(\S{10})(?:\s+to\s+(\S{10}))?(?:\s+(.*))?", piece)
        if match is None:
            raise TechnicianRefused(
                f"leave: {piece[:40]!r} is not understood; write 2026-12-24 to 2027-01-02 holiday."
            )
        found.append(Leave(match[1], match[2] or match[1], (match[3] or "")[:60]))
    return tuple(found)


def say_leave(leave: Iterable[Leave]) -> str:
    """The same as text."""
    return "; ".join(f"{one.first} to {one.last} {one.why}".strip() for one in leave)


def read_parts(text: str) -> dict[str, float]:
    """ "oil_l 12, oil_filter 2" as amounts by name. Raises TechnicianRefused."""
    found = {}
    for piece in filter(None, (part.strip() for part in re.split(r"[,;\n]", text))):
        name, _, amount = piece.rpartition(" ")
        if not name:
            name, amount = piece, "1"
        value = _number(amount, "parts")
        if not 0 <= value <= 1e6:
            raise TechnicianRefused(f"parts: {amount[:20]} of {name[:40]} is no amount.")
        found[name.strip()[:60]] = value
    return found


def say_parts(parts: Mapping[str, float]) -> str:
    """The same as text."""
    return ", ".join(f"{name} {amount:g}" for name, amount in parts.items())


USUAL_WEEK = "Mon-Fri 08:00-17:00"
READ: dict[str, Callable[[str], Any]] = {
    "id": str,
    "name": str,
    "lat": lambda text: _number(text, "lat"),
    "lon": lambda text: _number(text, "lon"),
    "time_zone": _zone,
    "base": str,
    "phone": str,
    "week": read_hours,
    "skills": read_skills,
    "leave": read_leave,
    "stock": read_parts,
}
"""How a cell of each column is read."""
EMPTY: dict[str, Any] = {
    "time_zone": "UTC",
    "week": read_hours(USUAL_WEEK),
    "skills": (),
    "leave": (),
    "stock": {},
}
"""What stands where a cell empties a column; "" for the others."""
