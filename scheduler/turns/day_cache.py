"""Days of units that this process keeps decoded between looks.

A year of Days is read and decoded for every look at a unit, though a reading changes only the
newest. What is kept is what was stored when this process wrote last: `derived.turn.write_turn` refuses the
turn of a unit whose shard another program has taken or written days of since (`registry.derived.shards`),
then the units of that shard are forgotten and computed again from the registry. So nothing stale is
ever written, and what is kept only saves time.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import msgspec
from msgspec.structs import force_setattr

from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import DayRow
from fleet.registry.derived.shards import ALL, Hold, shard_of, standing, take_shards
from scheduler.day import Day, decode

MB = 1_000_000
LIMIT = 256 * MB
"""Bytes kept where nobody says more. A size of a buffer."""
TIMES_ITS_DOC = 1.8
"""Bytes of a Day that is kept for each byte of its document. Measured: 1.1 to 1.6."""
NEWEST = 3
"""Rows of so many newest days are kept whole, to say whether a new one differs. A size of a
batch."""
FRESH_S = 7200
"""A unit looked at within two hours is never pushed out: where not all units find room, those that
have it keep it, instead of each being thrown out just before its turn comes. A pace of ours."""


@dataclass(frozen=True, slots=True)
class Year:
    """The stored days of one unit below UTC day `until`. docs: bytes of their documents."""

    days: dict[int, Day]
    order: list[int]
    rows: dict[int, DayRow]
    until: int
    docs: int

    @property
    def size(self) -> int:
        """Bytes of memory, about, and rather too many."""
        whole = sum(len(row.doc) for row in self.rows.values())
        return round(TIMES_ITS_DOC * self.docs) + whole


def year_of(rows: Iterable[DayRow], until: int) -> Year:
    """All stored days of a unit below `until`, as read just now."""
    kept = {row.day: row for row in rows}
    days = {day: decode(row.doc) for day, row in kept.items()}
    return Year(days, sorted(days), kept, until, sum(len(row.doc) for row in kept.values()))


def after(year: Year, written: Iterable[DayRow], dropped: Iterable[int]) -> Year:
    """The year when these rows are written; the rows they replace must be among `year.rows`.

    A written day is decoded from its document, so that it is what the next reader would find.
    """
    days, rows, docs = dict(year.days), dict(year.rows), year.docs
    for row in written:
        if row.day >= year.until:
            continue
        docs += len(row.doc) - (len(rows[row.day].doc) if row.day in rows else 0)
        rows[row.day], days[row.day] = row, decode(row.doc)
        share(days[row.day], {})
    for day in dropped:
        docs -= len(rows[day].doc) if day in rows else 0
        days.pop(day, None)
        rows.pop(day, None)
    order = sorted(days)
    newest = {day: rows[day] for day in order[-NEWEST:] if day in rows}
    return Year(days, order, newest, year.until, docs)


def share(value: Any, seen: dict[tuple[type, Any], Any]) -> Any:
    """The value with equal numbers and texts inside it being one object, for less memory.

    A decoded Day says a moment ten times and its unit twice, and 365 of them say the same volts.
    Nothing about the value changes but which of several equal objects it holds (0.0 is not -0.0).
    """
    kind = type(value)
    if kind is int or kind is float:
        return seen.setdefault((kind, value or repr(value)), value)
    if kind is str:
        return seen.setdefault((kind, value), value)
    if kind is tuple and value:
        return tuple([share(part, seen) for part in value])
    if kind is dict:
        for name, part in value.items():
            value[name] = share(part, seen)
    elif isinstance(value, msgspec.Struct):
        for name in value.__struct_fields__:
            part = getattr(value, name)
            one = share(part, seen)
            if one is not part:
                force_setattr(value, name, one)
    return value


@dataclass(slots=True)
class DayCache:
    """Years of many units within `limit` bytes (0: nothing is kept), of one Registry and process.

    hold: the shards as they stood when this process took or wrote them last.
    """

    limit: int = LIMIT
    size: int = 0
    hold: Hold = field(default_factory=dict)
    hits: int = 0
    asked: int = 0
    _years: OrderedDict[str, tuple[Year, int]] = field(default_factory=OrderedDict)
    _computed: dict[str, Year] = field(default_factory=dict)

    def begin(self, registry: Registry) -> None:
        """Before days are read: take every shard that is not ours as it was left, and forget its
        units. To be called by who may work on them only. Raises RegistryDown."""
        self._computed.clear()
        stand = standing(registry)
        lost = {n for n in ALL if n not in self.hold or stand.get(n) != self.hold[n]}
        self.lose(lost)
        self.hold.update(take_shards(registry, lost))

    def holds(self, unit: str) -> bool:
        """Whether the unit's shard is ours, as far as we know: else it waits for the next turn."""
        return shard_of(unit) in self.hold

    def settled(self) -> None:
        """A group was written: forget the units of shards that another took meanwhile."""
        self.lose(n for n in ALL if n not in self.hold)

    def lose(self, shards: Iterable[int]) -> None:
        """Forget the units of these shards, as somebody else may have written them."""
        gone = set(shards)
        if not gone:
            return
        for n in gone:
            self.hold.pop(n, None)
        for unit in [unit for unit in self._years if shard_of(unit) in gone]:
            self.drop(unit)

    def of(self, unit: str) -> Year | None:
        """The unit's days as this process wrote or read them last; None: read them."""
        self.asked += 1
        found = self._years.get(unit)
        self.hits += found is not None
        return None if found is None else found[0]

    def computed(self, unit: str, year: Year) -> None:
        """How the unit's days will be when its turn is written."""
        self._computed[unit] = year

    def failed(self, unit: str) -> None:
        """The unit's days could not be computed, or its turn not be written."""
        self.settle(unit, False, 0)

    def settle(self, unit: str, written: bool, now: int) -> None:
        """The unit's turn was written, or refused."""
        year, new = self._computed.pop(unit, None), unit not in self._years
        self.drop(unit)
        if not written or year is None:
            return
        while self.size + year.size > self.limit:
            oldest = next(iter(self._years), None)
            if oldest is None or 0 <= now - self._years[oldest][1] < FRESH_S:
                return
            self.drop(oldest)
        if new:
            seen: dict[tuple[type, Any], Any] = {}
            for day in year.days.values():
                share(day, seen)
        self._years[unit] = (year, now)
        self.size += year.size

    def drop(self, unit: str) -> None:
        """Forget one unit."""
        gone = self._years.pop(unit, None)
        if gone is not None:
            self.size -= gone[0].size

    def forget(self) -> None:
        """Forget everything, as registry or lead may have been elsewhere meanwhile."""
        self._years.clear()
        self._computed.clear()
        self.hold.clear()
        self.size = 0
