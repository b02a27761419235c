"""Days as they are stored, and how the units of an area were used."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import UnitSummary
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import DayRow


def days(reg: Registry, unit: str, from_day: int, to_day: int) -> list[DayRow]:
    """Stored days of a unit with from_day <= day < to_day, rising."""
    asked = {"unit": unit, "from_day": from_day, "to_day": to_day}
    with reg.read() as connection:
        rows = connection.execute(_DAYS, asked).all()
    return [
        DayRow(unit=unit, day=day, fingerprint=fingerprint, carry_in=carry_in, doc=doc)
        for day, fingerprint, carry_in, doc in rows
    ]


def day_before(reg: Registry, unit: str, day: int) -> DayRow | None:
    """The nearest stored day before `day`, or None."""
    with reg.read() as connection:
        row = connection.execute(_DAY_BEFORE, {"unit": unit, "day": day}).first()
    return None if row is None else day_of(row)


def day_of(row: Any) -> DayRow:
    """A row of the table as a DayRow."""
    return DayRow(
        unit=row.unit, day=row.day, fingerprint=row.fingerprint, carry_in=row.carry_in, doc=row.doc
    )


def summaries(reg: Registry, units: Iterable[str]) -> list[UnitSummary]:
    """The summaries of these units, by id; a unit that was not looked at yet has none."""
    wanted, found = sorted(set(units)), list[UnitSummary]()
    c = tables.summary.c
    with reg.read() as connection:
        for n in range(0, len(wanted), 500):
            query = sa.select(c.doc).where(c.unit.in_(wanted[n : n + 500])).order_by(c.unit)
            found += [documents.summary(doc) for doc in connection.execute(query).scalars()]
    return found


class UsageRow(msgspec.Struct, frozen=True):
    """How a unit was used, as its summary says (see `UnitSummary`)."""

    other_runs: tuple[tuple[int, float, float], ...] = ()
    other_hours_h: tuple[float, ...] = ()


def area_usage(reg: Registry, area: str) -> list[UsageRow]:
    """How the units of an area were used: at most 2,000 of them, in the order of their ids."""
    decode = documents.decoder(UsageRow)
    query = (
        sa.select(tables.summary.c.doc)
        .join(tables.unit, tables.unit.c.id == tables.summary.c.unit)
        .where(tables.unit.c.area == area)
        .order_by(tables.summary.c.unit)
        .limit(2_000)
    )
    with reg.read() as connection:
        return [decode(doc) for doc in connection.execute(query).scalars()]


# Statements asked for every unit of a turn, made once: building them costs more than running them.

_ASKED: sa.BindParameter[str] = sa.bindparam("unit")
_DAYS = (
    sa.select(tables.day.c.day, tables.day.c.fingerprint, tables.day.c.carry_in, tables.day.c.doc)
    .where(
        tables.day.c.unit == _ASKED,
        tables.day.c.day >= sa.bindparam("from_day"),
        tables.day.c.day < sa.bindparam("to_day"),
    )
    .order_by(tables.day.c.day)
)
_DAY_BEFORE = (
    sa.select(tables.day)
    .where(tables.day.c.unit == _ASKED, tables.day.c.day < sa.bindparam("day"))
    .order_by(tables.day.c.day.desc())
    .limit(1)
)
