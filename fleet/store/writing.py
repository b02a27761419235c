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
from fleet.store import extremes, rows, schema
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
    quoted = [f'"{name}"' for name in own]
    names = ["clock", *(["extra"] if extra else []), *quoted]
    all_names = ["clock", "extra", *quoted]
    return _Plan(
        shape,
        own,
        extra,
        f"INSERT INTO hot(device, ts, {', '.join(names)})"
        f" VALUES({', '.join('?' * (len(names) + 2))}) ON CONFLICT DO NOTHING",
        f"SELECT {', '.join(all_names)} FROM hot WHERE device=? AND ts=?",
        f"UPDATE hot SET {', '.join(f'{name}=?' for name in all_names)} WHERE device=? AND ts=?",
    )


class Writer:
    """The one writing connection, what it has interned, and which days it has touched.

    touched: (device number, UTC day) written since housekeeping last looked.
    Clashes found while packing are told with the next write.
    """

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self.db = db
        self.path = path
        self.columns = schema.columns(db)
        self.touched: set[tuple[int, int]] = set()
        self._late: dict[str, int] = {}
        self._own = frozenset(self.columns)
        self._devices: dict[str, int] = dict(db.execute("SELECT name, id FROM device"))
        self._names = {number: name for name, number in self._devices.items()}
        self._plans: dict[Shape, _Plan] = {}

    def write(self, readings: Sequence[Reading]) -> WriteResult:
        """As the port says. A reading without values leaves no trace."""
        new: list[str] = []
        shared: dict[str, int] = {}
        done = False
        try:
            with schema.faults(self.path), schema.transaction(self.db):
                groups, days = self._rows(readings, new)
                for shape in sorted(groups, key=lambda s: -len(groups[s])):
                    self._put(self._plan_of(shape), groups[shape], shared)
            done = True
        except (OverflowError, TypeError, sqlite3.ProgrammingError) as error:
            raise StoreFault(f"A reading holds something that is no number: {error}.") from error
        finally:
            if not done:
                for name in new:
                    del self._names[self._devices.pop(name)]
        self.touched |= days
        for name, count in self._late.items():
            shared[name] = shared.get(name, 0) + count
        self._late = {}
        return WriteResult(len(readings), sum(shared.values()), shared)

    def found_late(self, device: int, clashes: int) -> None:
        """Clashes found while a day was packed."""
        if clashes:
            name = self._names[device]
            self._late[name] = self._late.get(name, 0) + clashes

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
        self._names[number] = name
        new.append(name)
        return number

    def _plan_of(self, shape: Shape) -> _Plan:
        if shape not in self._plans:
            if len(self._plans) >= _SHAPES_AT_MOST:
                self._plans.clear()
            self._plans[shape] = _plan(shape, self._own)
        return self._plans[shape]

    def _put(self, plan: _Plan, group: list[tuple[Any, ...]], shared: dict[str, int]) -> None:
        """Insert rows; where some seconds were there already, merge. shared: clashes by device."""
        if plan.extra:
            group = [_with_extra(plan, row) for row in group]
        if self.db.executemany(plan.insert, group).rowcount == len(group):
            return
        for row in group:
            clashes = self._merge(plan, row)
            if clashes:
                name = self._names[row[0]]
                shared[name] = shared.get(name, 0) + clashes

    def _merge(self, plan: _Plan, row: tuple[Any, ...]) -> int:
        """Bring a row into the one of its second; 0 changes where it is that row itself."""
        key, given = row[:2], row[2:]
        if not plan.extra:
            given = (given[0], None, *given[1:])
        before = self.db.execute(plan.select, key).fetchone()
        if before == given:
            return 0
        kept, more = _values(plan, before), _values(plan, given)
        clashes = extremes.join(kept, more)
        own = [kept.pop(name, None) for name in plan.own]
        extra = rows.extra_text(dict(sorted(kept.items())))
        merged = (max(before[0], given[0]), extra, *own)
        if merged != before:
            self.db.execute(plan.update, (*merged, *key))
        return clashes


def _values(plan: _Plan, row: tuple[Any, ...]) -> dict[str, float]:
    """The values of a row (clock, extra, own channels) by channel."""
    found = rows.extra_of(row[1])
    for name, value in zip(plan.own, row[2:], strict=True):
        if value is not None and value == value:
            extremes.join(found, {name: float(value) + 0.0})
    return found


def _with_extra(plan: _Plan, row: tuple[Any, ...]) -> tuple[Any, ...]:
    """The row with its unknown channels folded into one JSON text."""
    values = dict(zip(plan.shape, row[3:], strict=True))
    # + 0.0 turns negative zero into zero, as a REAL column does.
    extra = {n: float(values[n]) + 0.0 for n in plan.extra if math.isfinite(values[n])}
    return (*row[:3], rows.extra_text(extra), *(values[n] for n in plan.own))
