"""Reading the embedded store: packed days and hot rows as one course, on one connection."""

from __future__ import annotations

import contextlib
import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.model import Series, Window
from fleet.model.telemetry import no_series
from fleet.store import buckets, pack, rows, schema, spans
from fleet.store.block import Block, course, cut, merge
from fleet.store.extremes import LOW, reach, with_lows
from fleet.store.port import StoreFault

_NOWHERE = -1


class Names(dict[int, str]):
    """Channel name by id, read from the store as it is asked for."""

    def __init__(self, db: sqlite3.Connection) -> None:
        super().__init__()
        self._db = db

    def __missing__(self, id_: int) -> str:
        self.update(self._db.execute("SELECT id, name FROM channel"))
        if id_ not in self:
            raise pack.PackBroken(f"it names a channel ({id_}) that the store does not list")
        return self[id_]


def unpack(
    device: int, t0: int, fmt: int, blob: bytes, names: Names, only: set[int] | None = None
) -> Block:
    """Decode a packed day. Raises StoreFault when it is damaged."""
    try:
        return pack.decode(blob, fmt, t0, names, only)
    except (ValueError, LookupError, ArithmeticError, zlib.error) as error:
        day = np.datetime64(t0, "s").astype("datetime64[D]")
        raise StoreFault(
            f"The packed day {day} of device number {device} cannot be read: {error}."
            " Put a backup into an empty folder with `hourhand restore FILE`; `hourhand check`"
            " lists every such day."
        ) from error


class Reader:
    """One thread's query-only connection."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self.db = db
        self._path = path
        self._names = Names(db)
        self._devices: dict[str, int] = {}
        self._own: tuple[str, ...] = ()
        self._schema = -1

    def __del__(self) -> None:
        self.db.close()

    @contextlib.contextmanager
    def _snapshot(self) -> Iterator[None]:
        """One moment of the store for several queries."""
        with schema.faults(self._path), schema.transaction(self.db, "DEFERRED"):
            version = self.db.execute("PRAGMA schema_version").fetchone()[0]
            if version != self._schema:
                self._own, self._schema = schema.columns(self.db), version
            yield

    def _device(self, name: str) -> int:
        if name not in self._devices:
            row = self.db.execute("SELECT id FROM device WHERE name=?", (name,)).fetchone()
            if row is None:
                return _NOWHERE
            self._devices[name] = row[0]
        return self._devices[name]

    def _ids(self, wanted: frozenset[str]) -> set[int]:
        if not wanted <= set(self._names.values()):
            self._names.update(self.db.execute("SELECT id, name FROM channel"))
        return {id_ for id_, name in self._names.items() if name in wanted}

    def devices(self) -> list[str]:
        with schema.faults(self._path):
            return [r[0] for r in self.db.execute("SELECT name FROM device ORDER BY name")]

    def read(
        self, device: str, channels: Iterable[str] | None, start: int, end: int
    ) -> dict[str, Series]:
        only = None if channels is None else frozenset(channels)
        with self._snapshot():
            number = self._device(device)
            wanted = None if only is None else with_lows(only)
            ids = None if wanted is None else self._ids(wanted)
            packed = self.db.execute(
                "SELECT t0, fmt, blob FROM pack WHERE device=? AND t0>? AND t0<? ORDER BY t0",
                (number, start - DAY_S, end),
            ).fetchall()
            blocks = [unpack(number, t0, fmt, blob, self._names, ids) for t0, fmt, blob in packed]
            hot = rows.hot_block(self.db, number, *reach(start, end), self._own, wanted)
        found = _series(_together(blocks, hot), start, end)
        if only is not None:
            for name in only - found.keys():
                found[name] = no_series()
        return found

    def window(
        self, device: str, channels: Iterable[str], start: int, end: int, n: int
    ) -> dict[str, Window]:
        b = buckets.buckets(start, end, n)
        only = frozenset(channels)
        parts: dict[str, list[spans.Pieces]] = {name: [] for name in only}
        with self._snapshot():
            number = self._device(device)
            wanted = with_lows(only)
            raw, told = self._summaries(number, b, self._ids(wanted), parts)
            hot = rows.hot_block(self.db, number, *reach(start, end), self._own, wanted)
        for name, series in _series(_together(raw, hot), start, end).items():
            left = told.outside(series)
            parts[name].append(spans.readings(left.t, left.v))
        nothing = spans.readings(np.empty(0, np.int64), np.empty(0))
        return {
            name: buckets.fill(b, spans.join(found) if found else nothing)
            for name, found in parts.items()
        }

    def _summaries(
        self,
        device: int,
        b: buckets.Buckets,
        ids: set[int],
        parts: dict[str, list[spans.Pieces]],
    ) -> tuple[list[Block], _Told]:
        """Add what whole spans tell to `parts`; the packed days that must be read value by value,
        and which of their spans were told."""
        days = [
            row[0] // DAY_S
            for row in self.db.execute(
                "SELECT t0 FROM pack WHERE device=? AND t0>? AND t0<? ORDER BY t0",
                (device, b.start - DAY_S, b.end),
            )
        ]
        if not days:
            return [], _Told(0, np.zeros((0, spans.SPANS), np.bool_))
        whole, touched = buckets.whole_spans(b, days[0], days[-1] - days[0] + 1)
        for day in rows.hot_days(self.db, device, days[0] * DAY_S, (days[-1] + 1) * DAY_S):
            whole[day - days[0]] = False
        which = np.array(days) - days[0]
        some: NDArray[np.bool_] = np.asarray(whole.any(axis=1), np.bool_)
        rest: NDArray[np.bool_] = np.asarray((touched & ~whole).any(axis=1), np.bool_)
        if some[which].any():
            summaries = [
                row
                for row in self.db.execute(
                    "SELECT t0, summary FROM pack WHERE device=? AND t0>=? AND t0<=? ORDER BY t0",
                    (device, days[0] * DAY_S, days[-1] * DAY_S),
                )
                if some[row[0] // DAY_S - days[0]]
            ]
            mask = whole[[t0 // DAY_S - days[0] for t0, _ in summaries]]
            for id_, pieces in spans.decode(summaries, mask, ids).items():
                parts[self._names[id_]].append(pieces)
        blocks = [self._unpack_day(device, int(day), ids) for day in np.array(days)[rest[which]]]
        return blocks, _Told(days[0], whole)

    def _unpack_day(self, device: int, day: int, ids: set[int]) -> Block:
        t0, fmt, blob = self.db.execute(
            "SELECT t0, fmt, blob FROM pack WHERE device=? AND t0=?", (device, day * DAY_S)
        ).fetchone()
        return unpack(device, t0, fmt, blob, self._names, ids)

    def days(self, device: str, start: int, end: int) -> list[int]:
        with self._snapshot():
            number = self._device(device)
            found = set(rows.hot_days(self.db, number, max(0, start), end))
            for t0, fmt, blob in self.db.execute(
                "SELECT t0, fmt, CASE WHEN t0>=? AND t0+86400<=? THEN NULL ELSE blob END"
                " FROM pack WHERE device=? AND t0>? AND t0<?",
                (start, end, number, start - DAY_S, end),
            ):
                if t0 // DAY_S in found:
                    continue
                if blob is not None:
                    t = unpack(number, t0, fmt, blob, self._names, set()).t
                    if not np.any((t >= start) & (t < end)):
                        continue
                found.add(t0 // DAY_S)
        return sorted(found)


@dataclass(frozen=True, slots=True)
class _Told:
    """Spans whose summary was taken. whole: by UTC day from first_day on, and span."""

    first_day: int
    whole: NDArray[np.bool_]

    def outside(self, series: Series) -> Series:
        """A course without those spans."""
        day = series.t // DAY_S - self.first_day
        known = (day >= 0) & (day < len(self.whole))
        if not known.any() or not self.whole.any():
            return series
        span = series.t % DAY_S // spans.SPAN_S
        keep = ~known
        keep[known] = ~self.whole[day[known], span[known]]
        return Series(series.t[keep], series.v[keep])


def _together(packed: list[Block], hot: Block) -> list[Block]:
    """Packed days, those that have rows not packed yet merged with them, and the other rows."""
    if not len(hot):
        return packed
    of_day, left = hot.t // DAY_S, np.ones(len(hot), np.bool_)
    blocks: list[Block] = []
    for block in packed:
        late = of_day == (block.t[0] // DAY_S if len(block) else -1)
        if late.any():
            block, _ = merge(block, cut(hot, late))
            left &= ~late
        blocks.append(block)
    return [*blocks, cut(hot, left)]


def _series(blocks: list[Block], start: int, end: int) -> dict[str, Series]:
    """Blocks of different days as one course by channel, cut to [start, end)."""
    found: dict[str, tuple[list[NDArray[np.int64]], list[NDArray[np.float64]]]] = {}
    for block in blocks:
        for name in block.values if len(block) else ():
            if name.endswith(LOW):
                continue
            t, v = course(block, name)
            inside = slice(*np.searchsorted(t, (start, end)))
            ts, vs = found.setdefault(name, ([], []))
            ts.append(t[inside])
            vs.append(v[inside])
    out: dict[str, Series] = {}
    for name, (ts, vs) in found.items():
        t, v = np.concatenate(ts), np.concatenate(vs)
        if np.any(t[1:] <= t[:-1]):
            order = np.argsort(t, kind="stable")
            t, v = t[order], v[order]
        if len(t):
            out[name] = Series(t, v)
    return out
