"""Which days of a unit must be digested again, and what comes out.

A day depends on its readings and events, on what people know of the unit, and on the open state of
the nearest day before it. So a touched day is digested, then every day after it whose fingerprint
is no longer what it was made from; the walk ends where nothing differs. Order of arrival does not
matter: the days left behind are those of one clean pass.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from heapq import heapify, heappop, heappush

import numpy as np

from fleet.calendar import DAY_S
from fleet.defaults import LEARNING_DAYS
from fleet.history import parts, read_days, read_series
from fleet.model import DeviceEvent, Series
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import DayRow
from fleet.registry.facts.rows import UnitInputs
from fleet.store import Store
from scheduler.assess import day_facts, habit_of
from scheduler.day import Carry, Day, carry_key, digest, encode, fingerprint
from scheduler.turns.day_cache import Year, after, year_of

READ_DAYS = 16
"""Days read from the store at once where touched days are contiguous. A size of a batch."""
AHEAD_DAYS = 366
"""Days further ahead than this are not looked at: a device's clock was wrong. A bound of ours."""


@dataclass(slots=True)
class Result:
    """days: every day of the unit now, rising; rows to write; drops: days without data left.

    year: what is stored once these are written.
    """

    days: list[Day]
    rows: list[DayRow]
    drops: list[int]
    year: Year


class Readings:
    """Series and events of single days of a unit, read from the store several days at a time."""

    def __init__(self, registry: Registry, store: Store, inputs: UnitInputs) -> None:
        self.registry, self.inputs, self._store = registry, inputs, store
        self._span = (0, 0)
        self._series: dict[str, Series] = {}
        self._events: list[DeviceEvent] = []

    def of(self, day: int, following: int) -> tuple[dict[str, Series], list[DeviceEvent]]:
        """One day's calibrated series and its events; `following` days will be asked for next."""
        if not self._span[0] <= day < self._span[1]:
            self._load(day, day + min(following, READ_DAYS - 1) + 1)
        start, end = day * DAY_S, (day + 1) * DAY_S
        series = {name: _cut(whole, start, end) for name, whole in self._series.items()}
        return (
            {name: part for name, part in series.items() if len(part)},
            [event for event in self._events if start <= event.at < end],
        )

    def _load(self, first: int, last: int) -> None:
        start, end = first * DAY_S, last * DAY_S
        self._span = (first, last)
        self._series = read_series(self._store, self.inputs, None, start, end, judged=True)
        self._events = [
            event
            for part in parts(self.inputs.fittings, start, end)
            for event in unscoped.events(self.registry, part.fitting.device, part.start, part.end)
        ]

    def days_with_data(self, first: int, last: int) -> set[int]:
        """Days in [first, last) with a reading or an event."""
        start, end = first * DAY_S, last * DAY_S
        found = set(read_days(self._store, self.inputs, start, end))
        for part in parts(self.inputs.fittings, start, end):
            events = unscoped.events(self.registry, part.fitting.device, part.start, part.end)
            found.update(event.at // DAY_S for event in events)
        return found


class Stored:
    """The stored rows of a unit: those at hand, and others read when they are asked for."""

    def __init__(self, registry: Registry, unit: str, year: Year) -> None:
        self._registry, self._unit, self._days = registry, unit, year.days
        self.rows = dict(year.rows)

    def get(self, day: int) -> DayRow | None:
        """The row of a day, None where there is none. Raises RegistryDown."""
        if day not in self.rows and day in self._days:
            for row in unscoped.days(self._registry, self._unit, day - 1, day + READ_DAYS):
                self.rows.setdefault(row.day, row)
        return self.rows.get(day)


@dataclass(slots=True)
class _Walk:
    """The days of a unit while they are worked through, oldest first."""

    inputs: UnitInputs
    readings: Readings
    stored: Stored
    days: dict[int, Day]
    order: list[int]
    todo: set[int]
    queue: list[int]
    queued: set[int]
    taught: bool
    rows: list[DayRow] = field(default_factory=list)
    drops: list[int] = field(default_factory=list)

    def before(self, day: int) -> Day | None:
        index = bisect_left(self.order, day)
        return self.days[self.order[index - 1]] if index else None

    def keep(self, day: Day) -> None:
        if day.day not in self.days:
            self.order.insert(bisect_left(self.order, day.day), day.day)
        self.days[day.day] = day

    def forget(self, day: int) -> None:
        if self.days.pop(day, None) is not None:
            self.order.remove(day)
            self.drops.append(day)

    def push(self, day: int) -> None:
        if day not in self.queued:
            self.queued.add(day)
            heappush(self.queue, day)

    def window(self, day: int, own: Day | None) -> list[Day]:
        """The days that teach the habit of a day: up to 13 before it, and itself."""
        low = bisect_left(self.order, day - LEARNING_DAYS + 1)
        taught = [self.days[d] for d in self.order[low : bisect_left(self.order, day)]]
        return [*taught, own] if own is not None else taught


def recompute(
    readings: Readings,
    touched: Iterable[tuple[int, bool]],
    today: int,
    held: Year | None = None,
) -> Result:
    """Digest the touched days again, and all that follow from them.

    readings: of the unit. touched: (UTC day, onward); onward: every day with data or a stored Day from there to today.
    held: the unit's stored days where they are known (see `scheduler.turns.day_cache`), else they are
    read. Raises StoreDown, StoreFault or RegistryDown.
    """
    year = _year(readings, today + AHEAD_DAYS, held)
    walk = _begin(readings, year, touched, today)
    while walk.queue:
        day = heappop(walk.queue)
        if day in walk.todo or _stale(walk, day):
            _digest_again(walk, day)
    stands = after(replace(year, rows=walk.stored.rows), walk.rows, walk.drops)
    return Result([walk.days[d] for d in walk.order], walk.rows, walk.drops, stands)


def _year(readings: Readings, until: int, held: Year | None) -> Year:
    """The stored days below `until`, as held where that is the same."""
    registry, unit = readings.registry, readings.inputs.unit.id
    if held is None or held.until > until:
        return year_of(unscoped.days(registry, unit, 0, until), until)
    if held.until == until:
        return held
    return after(replace(held, until=until), unscoped.days(registry, unit, held.until, until), ())


def _begin(
    readings: Readings, year: Year, touched: Iterable[tuple[int, bool]], today: int
) -> _Walk:
    inputs = readings.inputs
    stored = Stored(readings.registry, inputs.unit.id, year)
    taught = inputs.unit.habit is None and all(p.habit is None for p in inputs.pulses)
    days, order = dict(year.days), list(year.order)
    walk = _Walk(inputs, readings, stored, days, order, set(), [], set(), taught)
    todo = {day for day, _ in touched}
    onward = min((day for day, all_after in touched if all_after), default=None)
    if _outdated(walk, min(todo, default=today + AHEAD_DAYS)):
        onward = walk.order[0]
    if onward is not None:
        todo |= {day for day in walk.order if day >= onward}
        todo |= readings.days_with_data(onward, today + 2)
    walk.todo = todo
    walk.queue, walk.queued = list(todo), set(todo)
    heapify(walk.queue)
    return walk


def _outdated(walk: _Walk, day: int) -> bool:
    """Whether the newest day before was made from other facts or rules: then none is trusted."""
    before = walk.before(day)
    return before is not None and _stale(walk, before.day)


def _stale(walk: _Walk, day: int) -> bool:
    own = walk.days.get(day)
    row = walk.stored.get(day)
    if own is None or row is None:
        return False
    before = walk.before(day)
    facts = day_facts(walk.inputs, habit_of(walk.inputs, walk.window(day, own)))
    return row.fingerprint != fingerprint(facts, day, before.carry if before else None)


def _digest_again(walk: _Walk, day: int) -> None:
    following = 0
    while day + following + 1 in walk.todo and following < READ_DAYS:
        following += 1
    series, events = walk.readings.of(day, following)
    if not series and not events:
        walk.forget(day)
    else:
        before = walk.before(day)
        carry = before.carry if before else None
        made = _digest(walk, day, series, events, carry)
        facts = day_facts(walk.inputs, habit_of(walk.inputs, walk.window(day, made)))
        row = DayRow(
            unit=made.unit,
            day=day,
            fingerprint=fingerprint(facts, day, carry),
            carry_in=carry_key(carry),
            doc=encode(made),
        )
        if walk.stored.get(day) != row:
            walk.rows.append(row)
        walk.keep(made)
    after = bisect_left(walk.order, day + 1)
    reach = day + LEARNING_DAYS if walk.taught else day
    for index in range(after, len(walk.order)):
        walk.push(walk.order[index])
        if walk.order[index] > reach:
            break


def _digest(
    walk: _Walk,
    day: int,
    series: dict[str, Series],
    events: list[DeviceEvent],
    carry: Carry | None,
) -> Day:
    """One day under its own habit; where that is learned, the day itself teaches too."""
    reports = habit_of(walk.inputs, walk.window(day, None))
    made = digest(day_facts(walk.inputs, reports), day, series, events, carry)
    better = habit_of(walk.inputs, walk.window(day, made)) if walk.taught else reports
    if better == reports:
        return made
    return digest(day_facts(walk.inputs, better), day, series, events, carry)


def _cut(series: Series, start: int, end: int) -> Series:
    low, high = np.searchsorted(series.t, (start, end))
    return Series(series.t[low:high], series.v[low:high])
