"""Writing the embedded store: readings into `hot`, in one durable transaction."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from fleet.calendar import DAY_S
from fleet.model import Reading
from fleet.store import rows, schema
from fleet.store.block import CLOCK_RANK
from fleet.store.port import StoreFault, WriteResult

LATEST = 1 << 40
"""No reading is later: times are seconds, and this is 34,000 years ahead. A bound of ours."""
_SHAPES_AT_MOST = 1000

Shape = tuple[str, ...]


class _Plan(msgspec.Struct, frozen=True):
    """How rows that report the same channels in the same order are put down.

    own: channels with a column; extra: the others, which go into one JSON column.
    """

    shape: Shape
    own: Shape
    extra: Shape
    insert: str
    select: str
    update: str


def _plan(shape: Shape, columns: frozenset[str]) -> _Plan:
    own = tuple(name for name in shape if name in columns)
    extra = tuple(name for name in shape if name not in columns)
    names = ["clock", *(["extra"] if extra else []), *(f'"{name}"' for name in own)]
    return _Plan(
        shape,
        own,
        extra,
        f"INSERT INTO hot(device, ts, {', '.join(names)})"
        f" VALUES({', '.join('?' * (len(names) + 2))}) ON CONFLICT DO NOTHING",
        f"SELECT {', '.join(names)} FROM hot WHERE device=? AND ts=?",
        f"UPDATE hot SET {', '.join(f'{name}=?' for name in names)} WHERE device=? AND ts=?",
    )


class Writer:
    """The one writing connection, what it has interned, and which days it has touched.

    touched: (device number, UTC day) written since housekeeping last looked.
    late_clashes: clashes found while packing, told with the next write.
    """

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self.db = db
        self.path = path
        self.columns = schema.columns(db)
        self.touched: set[tuple[int, int]] = set()
        self.late_clashes = 0
        self._own = frozenset(self.columns)
        self._devices: dict[str, int] = dict(db.execute("SELECT name, id FROM device"))
        self._plans: dict[Shape, _Plan] = {}

    def write(self, readings: Sequence[Reading]) -> WriteResult:
        """As the port says. A reading without values leaves no trace."""
        new: list[str] = []
        clashes = 0
        done = False
        try:
            with schema.faults(self.path), schema.transaction(self.db):
                groups, days = self._rows(readings, new)
                for shape in sorted(groups, key=lambda s: -len(groups[s])):
                    clashes += self._put(self._plan_of(shape), groups[shape])
            done = True
        except (OverflowError, TypeError, sqlite3.ProgrammingError) as error:
            raise StoreFault(f"A reading holds something that is no number: {error}.") from error
        finally:
            if not done:
                for name in new:
                    del self._devices[name]
        self.touched |= days
        clashes += self.late_clashes
        self.late_clashes = 0
        return WriteResult(len(readings), clashes)

    def _rows(
        self, readings: Sequence[Reading], new: list[str]
    ) -> tuple[dict[Shape, list[tuple[Any, ...]]], set[tuple[int, int]]]:
        """Rows by shape, ready to bind, and the (device, day) they fall on."""
        groups: dict[Shape, list[tuple[Any, ...]]] = {}
        days: set[tuple[int, int]] = set()
        devices, rank = self._devices, CLOCK_RANK
        for reading in readings:
            values, at = reading.values, reading.at
            shape = tuple(values)
            if not shape:
                continue
            number = devices.get(reading.device)
            if number is None:
                number = self._intern(reading.device, new)
            group = groups.get(shape)
            if group is None:
                group = groups[shape] = []
            group.append((number, at, rank[reading.clock], *values.values()))
            days.add((number, at // DAY_S))
        for _, day in days:
            if not 0 <= day < LATEST // DAY_S:
                raise StoreFault(
                    f"A reading of day {day} since 1970 cannot be kept: times are whole UTC"
                    " seconds from 1970 on."
                )
        return groups, days

    def _intern(self, name: str, new: list[str]) -> int:
        number = self.db.execute("INSERT INTO device(name) VALUES(?)", (name,)).lastrowid
        assert number is not None
        self._devices[name] = number
        new.append(name)
        return number

    def _plan_of(self, shape: Shape) -> _Plan:
        if shape not in self._plans:
            if len(self._plans) >= _SHAPES_AT_MOST:
                self._plans.clear()
            self._plans[shape] = _plan(shape, self._own)
        return self._plans[shape]

    def _put(self, plan: _Plan, group: list[tuple[Any, ...]]) -> int:
        """Insert rows; where some seconds were there already, merge. Returns clashes."""
        if plan.extra:
            group = [_with_extra(plan, row) for row in group]
        if self.db.executemany(plan.insert, group).rowcount == len(group):
            return 0
        return sum(self._merge(plan, row) for row in group)

    def _merge(self, plan: _Plan, row: tuple[Any, ...]) -> int:
        """Bring a row into the one of its second; 0 changes where it is that row itself."""
        key, given = row[:2], row[2:]
        kept = self.db.execute(plan.select, key).fetchone()
        if kept == given:
            return 0
        clashes = 0
        merged = [max(kept[0], given[0])]
        start = 1
        if plan.extra:
            start = 2
            both = rows.extra_of(kept[1])
            for name, value in rows.extra_of(given[1]).items():
                there = both.get(name)
                clashes += there is not None and there != value
                both[name] = value if there is None else max(there, value)
            merged.append(rows.extra_text(dict(sorted(both.items()))))
        for there, value in zip(kept[start:], given[start:], strict=True):
            if there is None or value is None or value != value:
                merged.append(value if there is None else there)
                continue
            clashes += there != value
            merged.append(max(there, value))
        if tuple(merged) != kept:
            self.db.execute(plan.update, (*merged, *key))
        return clashes


def _with_extra(plan: _Plan, row: tuple[Any, ...]) -> tuple[Any, ...]:
    """The row with its unknown channels folded into one JSON text."""
    values = dict(zip(plan.shape, row[3:], strict=True))
    # + 0.0 turns negative zero into zero, as a REAL column does.
    extra = {n: float(values[n]) + 0.0 for n in plan.extra if math.isfinite(values[n])}
    return (*row[:3], rows.extra_text(extra), *(values[n] for n in plan.own))
