"""Technicians: kept, listed, and brought in from a file."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet import bounds
from fleet.calendar import ZoneUnknown, zone
from fleet.model import ID, Leave, SkillHeld, Technician
from fleet.registry import tables as t
from fleet.registry.engine import Registry
from fleet.registry.people.audit import note
from fleet.registry.people.types import Actor
from fleet.registry.statements import upsert
from fleet.registry.technicians_hours import HoursFault, read_hours
from fleet.registry.types import ImportReport, RegistryFault, RowProblem

_technician = msgspec.json.Decoder(Technician).decode
COLUMNS = (
    "id", "name", "lat", "lon", "time_zone", "base", "phone", "week", "skills", "leave", "stock",
)  # fmt: skip


class TechnicianRefused(RegistryFault):
    """A technician cannot be kept so. A sentence: what was wrong and what to do."""


def save_technician(reg: Registry, technician: Technician, now: int, by: Actor) -> None:
    """Add or change a technician. Raises TechnicianRefused."""
    check_technician(technician)
    with reg.write() as connection:
        c = t.technician.c
        if technician.person:
            known = sa.select(t.person.c.id).where(t.person.c.id == technician.person)
            if connection.execute(known).first() is None:
                raise TechnicianRefused("There is no such person among those who sign in.")
            other = sa.select(c.id).where(c.person == technician.person, c.id != technician.id)
            if taken := connection.execute(other).scalar():
                raise TechnicianRefused(f"That person is the technician {taken} already.")
        _keep(connection, technician)
        note(connection, now, "technician_changed", by, technician.id)


def _keep(connection: sa.Connection, technician: Technician) -> None:
    row = {
        "id": technician.id, "person": technician.person or None,
        "doc": msgspec.json.encode(technician),
    }  # fmt: skip
    connection.execute(upsert(connection.dialect.name, t.technician), row)


def check_technician(technician: Technician) -> None:
    """Raises TechnicianRefused, naming the field."""
    if not ID.fullmatch(technician.id):
        raise TechnicianRefused("id: use letters, digits, - and _, at most 64 of them.")
    if not 1 <= len(technician.name.strip()) <= 100 or not technician.name.isprintable():
        raise TechnicianRefused("name: give a name of at most 100 letters.")
    if not (abs(technician.lat) <= 90 and abs(technician.lon) <= 180):
        raise TechnicianRefused("base: the latitude is at most 90, the longitude at most 180.")
    try:
        zone(technician.time_zone)
    except ZoneUnknown as fault:
        raise TechnicianRefused(f"time_zone: {fault}") from None
    for leave in technician.leave:
        if _day(leave.first, "leave") > _day(leave.last, "leave"):
            raise TechnicianRefused("leave: it ends before it begins.")
    for skill in technician.skills:
        if skill.until:
            _day(skill.until, "skills")


def _day(text: str, field: str) -> date:
    try:
        return bounds.day(text)
    except ValueError:
        raise TechnicianRefused(f"{field}: {text[:20]!r} is no date; write YYYY-MM-DD.") from None


def technicians(reg: Registry, active_only: bool = False) -> list[Technician]:
    """All technicians by name."""
    with reg.read() as connection:
        docs = connection.execute(sa.select(t.technician.c.doc)).scalars().all()
    found = sorted((_technician(doc) for doc in docs), key=lambda one: (one.name, one.id))
    return [one for one in found if one.active or not active_only]


def technician(reg: Registry, id: str) -> Technician | None:
    """One technician."""
    with reg.read() as connection:
        doc = connection.execute(
            sa.select(t.technician.c.doc).where(t.technician.c.id == id)
        ).scalar()
    return None if doc is None else _technician(doc)


def of_person(reg: Registry, person: str | None) -> Technician | None:
    """The technician who signs in as this person."""
    if not person:
        return None
    with reg.read() as connection:
        doc = connection.execute(
            sa.select(t.technician.c.doc).where(t.technician.c.person == person)
        ).scalar()
    return None if doc is None else _technician(doc)


def import_technicians(
    reg: Registry, source: Path | Iterable[Mapping[str, Any]], now: int, by: str = "office",
    partial: bool = False,
) -> ImportReport:  # fmt: skip
    """Technicians from CSV (columns COLUMNS) or rows; nothing is written where a row is wrong,
    unless `partial`."""
    if isinstance(source, Path):
        with source.open(newline="", encoding="utf-8-sig") as file:
            rows: list[Mapping[str, Any]] = list(csv.DictReader(file))
    else:
        rows = list(source)
    problems, good = [], []
    for n, row in enumerate(rows, 1):
        try:
            made = technician_of(row)
            check_technician(made)
            good.append(made)
        except (TechnicianRefused, HoursFault) as fault:
            problems.append(RowProblem(row=n, column="", value="", message=str(fault)))
    if problems and not partial:
        return ImportReport(
            rows=len(rows), refused=len(problems), problems=tuple(problems), written=False
        )
    known = {one.id: one for one in technicians(reg)}
    actor = Actor(by)
    with reg.write() as connection:
        for made in good:
            kept = msgspec.structs.replace(
                made, person=known[made.id].person if made.id in known else ""
            )
            _keep(connection, kept)
            note(connection, now, "technician_changed", actor, made.id)
    changed = sum(made.id in known for made in good)
    return ImportReport(
        rows=len(rows), added=len(good) - changed, changed=changed, refused=len(problems),
        problems=tuple(problems),
    )  # fmt: skip


def technician_of(row: Mapping[str, Any]) -> Technician:
    """A row's technician. Raises TechnicianRefused, HoursFault."""
    text = {name: str(row.get(name) or "").strip() for name in COLUMNS}
    return Technician(
        id=text["id"], name=text["name"], lat=_number(text["lat"], "lat"),
        lon=_number(text["lon"], "lon"), time_zone=text["time_zone"] or "UTC", base=text["base"],
        phone=text["phone"], week=read_hours(text["week"] or "Mon-Fri 08:00-17:00"),
        skills=read_skills(text["skills"]), leave=read_leave(text["leave"]),
        stock=read_parts(text["stock"]),
    )  # fmt: skip


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
