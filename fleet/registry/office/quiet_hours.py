"""Each person's own quiet hours: appended in `agreed` under a name of the person's; the newest holds."""

from __future__ import annotations

import re

import sqlalchemy as sa

from fleet.model import QuietHours
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.office.agreed import append
from fleet.registry.people.model import Actor

NAME = "quiet_hours:"
LONGEST_MIN = 16 * 60
"""At least 8 hours of a day are left in which somebody can be told. Common practice, no source."""
_WALL = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")
_hours = documents.decoder(QuietHours)


class QuietHoursRefused(RegistryFault):
    """Quiet hours that cannot be kept. A sentence: what was wrong and what to do."""


def read(begins: str, ends: str) -> QuietHours:
    """The quiet hours a person wrote. Raises QuietHoursRefused."""
    first, after = _minutes(begins, "from"), _minutes(ends, "until")
    length = (after - first) % 1440
    if not length:
        raise QuietHoursRefused(
            "Quiet hours that end when they begin are none: write two times that differ."
        )
    if length > LONGEST_MIN:
        hours, minutes = divmod(length, 60)
        long = f"{hours} h {minutes} min" if minutes else f"{hours} h"
        raise QuietHoursRefused(
            f"From {_wall(first)} until {_wall(after)} are {long}: quiet hours are at most "
            f"{LONGEST_MIN // 60} h, so that there is time to tell you. If you meant the other "
            "hours of the day, write the times the other way round."
        )
    return QuietHours(begins=_wall(first), ends=_wall(after))


def _minutes(text: str, which: str) -> int:
    found = _WALL.fullmatch(text.strip())
    if found is None:
        raise QuietHoursRefused(f"Quiet {which}: write a time of the day like 06:30 or 21:00.")
    return int(found[1]) * 60 + int(found[2])


def _wall(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def agree(reg: Registry, person: str, hours: QuietHours, n: int, by: Actor, now: int) -> None:
    """Put quiet hours in place of a person's number n. Raises AgreedMeanwhile, QuietHoursRefused."""
    kept = read(hours.begins, hours.ends)
    said = f"quiet hours {kept.begins} to {kept.ends}"
    doc = documents.encode(kept)
    append(reg, NAME + person, doc, n, by, now, kind="channel_changed", subject=person, detail=said)


def every(reg: Registry) -> dict[str, tuple[QuietHours, int]]:
    """(quiet hours, their number) of everybody who ever set some. The others have the default, 0."""
    c = tables.agreed.c
    mine = c.name.startswith(NAME, autoescape=True)
    newest = sa.select(c.name, sa.func.max(c.n).label("n")).where(mine).group_by(c.name).subquery()
    query = sa.select(c.name, c.n, c.doc).join(
        newest, sa.and_(newest.c.name == c.name, newest.c.n == c.n)
    )
    with reg.read() as connection:
        return {
            str(row.name).removeprefix(NAME): (_hours(row.doc), int(row.n))
            for row in connection.execute(query)
        }


def of_person(reg: Registry, person: str) -> tuple[QuietHours, int]:
    """(quiet hours, their number) of a person; the default, 0, before the first."""
    return every(reg).get(person, (QuietHours(), 0))
