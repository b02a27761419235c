"""The telemetry store in an InfluxDB 2 bucket (docs/influxdb.md). One process writes a device.

As the port says, and: InfluxDB overwrites, so readings that may meet older values are looked up
first and merged (`tops` tells which cannot). A batch goes out in requests of 5,000 lines; when
one fails, part of the batch may be visible already: hand it in again, that is free of effect.
Readings that the server itself refuses raise ReadingsRefused after all others were kept.
Opening asks the server nothing; an absent one is told by the first call.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.model import Reading, Series, Window
from fleet.model.telemetry import no_series
from fleet.store import buckets, schema, spans
from fleet.store.extremes import LOW, course, reach, with_lows
from fleet.store.influx import flux as queries
from fleet.store.influx.csv import numbers, runs, seconds
from fleet.store.influx.lines import CLOCK, LATEST, field_key, name_of, tag_value
from fleet.store.influx.link import Address, Link
from fleet.store.influx.writing import Writer, delete, marked
from fleet.store.port import StoreFault, StoreSettings, WriteResult

SUMMARIES_FROM_S = 1800
"""Narrower buckets are made from the readings. Measured: five summaries cost more
than 30 rows."""


class InfluxStore:
    """A Store in one bucket. `writing`: be the one writer (the lock file keeps out a second)."""

    def __init__(
        self, address: Address, lock: Path, writing: bool, retention_days: int = 0
    ) -> None:
        """Raises StoreFault when another process writes."""
        self._link = Link(address)
        self._bucket = address.bucket
        self._writer: Writer | None = None
        self._lock: IO[str] | None = None
        self._turn = threading.Lock()
        self._closed = False
        if writing:
            self._lock = schema.lock(lock)
            self._writer = Writer(self._link, self._bucket, retention_days)

    def write(self, readings: Sequence[Reading]) -> WriteResult:
        with self._turn:
            return self._writing().write(readings)

    def read(
        self, device: str, channels: Iterable[str] | None, start: int, end: int
    ) -> dict[str, Series]:
        self._open()
        only = None if channels is None else list(dict.fromkeys(channels))
        found = _read(self._link, self._bucket, device, only, start, end)
        for name in only or ():
            found.setdefault(name, no_series())
        return found

    def window(
        self, device: str, channels: Iterable[str], start: int, end: int, n: int
    ) -> dict[str, Window]:
        self._open()
        b = buckets.buckets(start, end, n)
        names = list(dict.fromkeys(channels))
        nothing = buckets.fill(b, spans.readings(np.empty(0, np.int64), np.empty(0)))
        found = dict.fromkeys(names, nothing)
        singly = names
        if b.width_s >= SUMMARIES_FROM_S:
            told, singly = self._summaries(device, names, b)
            found |= told
        if singly:
            for name, series in _read(self._link, self._bucket, device, singly, start, end).items():
                found[name] = buckets.fill(b, spans.readings(series.t, series.v))
        return found

    def days(self, device: str, start: int, end: int) -> list[int]:
        self._open()
        start, end = max(0, start), min(LATEST, end)
        if start >= end:
            return []
        flux = queries.days(self._bucket, tag_value(device), start, end)
        days: set[int] = set()
        for columns in self._link.query(flux):
            days.update((seconds(columns["_start"]) // queries.DAY_S).tolist())
        return sorted(days)

    def delete(self, device: str, start: int, end: int) -> int:
        with self._turn:
            self._writing()
            start, end = max(0, start), min(LATEST, end)
            if start >= end:
                return 0
            tag = tag_value(device)
            gone = 0
            for columns in self._link.query(queries.count(self._bucket, tag, start, end)):
                gone += sum(map(int, columns["_value"]))
            if gone:
                delete(self._link, tag, start, end)
            return gone

    def devices(self) -> list[str]:
        self._open()
        return sorted(marked(self._link, self._bucket))

    def tend(self, now: int, budget_s: float = 0.05) -> bool:
        with self._turn:
            self._writing().expire(now)
        return False

    def check(self) -> list[str]:
        self._open()
        try:
            marked(self._link, self._bucket)
        except StoreFault as fault:
            return [str(fault)]
        return []

    def close(self) -> None:
        with self._turn:
            if not self._closed:
                self._closed = True
                self._link.close()
                if self._lock is not None:
                    self._lock.close()

    def _open(self) -> None:
        if self._closed:
            raise StoreFault("The telemetry store is closed.")

    def _writing(self) -> Writer:
        self._open()
        if self._writer is None:
            raise StoreFault("This program reads the telemetry store only; ingest writes it.")
        return self._writer

    def _summaries(
        self, device: str, names: Sequence[str], b: buckets.Buckets
    ) -> tuple[dict[str, Window], list[str]]:
        """Windows that InfluxDB summarised, of the channels that have values in the range; and
        those of which a second holds two values, to be read value by value."""
        start, end = max(0, b.start), min(LATEST, b.end)
        if start >= end or not names:
            return {}, []
        flux = queries.window(
            self._bucket,
            tag_value(device),
            [field_key(name) for name in sorted(with_lows(frozenset(names)))],
            start,
            end,
            b.width_s,
            b.start % b.width_s,
        )
        found: dict[str, Window] = {}
        for columns in self._link.query(flux):
            bucket = (seconds(columns["_time"]) - b.start) // b.width_s
            values = numbers(columns["_value"])
            for result, some in runs(columns["result"]):
                for key, part in runs(columns["_field"][some]):
                    where = slice(some.start + part.start, some.start + part.stop)
                    window = found.setdefault(name_of(key), _empty(b))
                    _column(window, result)[bucket[where]] = values[where]
        border = self._border_lows(device, names, start, end)
        singly = [name for name in names if name + LOW in found or name + LOW in border]
        return {name: w for name, w in found.items() if name in names}, singly

    def _border_lows(self, device: str, names: Sequence[str], start: int, end: int) -> set[str]:
        """Names of smallest values just outside a range that stand inside it (see `extremes`)."""
        lows = [field_key(name) for name in sorted(with_lows(frozenset(names)) - set(names))]
        seconds_ = [end] if end % DAY_S else []
        seconds_ += [start - 1] if start % DAY_S == 1 else []
        found: set[str] = set()
        for at in seconds_ if lows else ():
            flux = queries.readings(self._bucket, [tag_value(device)], lows, at, at + 1)
            for columns in self._link.query(flux):
                found.update(map(name_of, columns["_field"]))
        return found


def open_influx(settings: StoreSettings, writing: bool) -> InfluxStore:
    """The store in the bucket that the settings name. Raises StoreFault for a second writer."""
    address = Address(
        settings.influx_url, settings.influx_org, settings.influx_bucket, settings.influx_token
    )
    lock = settings.data / "locks" / "store.lock"
    return InfluxStore(address, lock, writing, settings.retention_days)


def _read(
    link: Link, bucket: str, device: str, channels: Sequence[str] | None, start: int, end: int
) -> dict[str, Series]:
    """Series of the channels that have values in the range."""
    start, end = max(0, start), min(LATEST, end)
    if start >= end or channels == []:
        return {}
    wanted = None if channels is None else sorted(with_lows(frozenset(channels)))
    fields = None if wanted is None else [field_key(name) for name in wanted]
    parts: dict[str, list[Series]] = {}
    low, high = reach(start, end)
    for columns in link.query(queries.readings(bucket, [tag_value(device)], fields, low, high)):
        t, v = seconds(columns["_time"]), numbers(columns["_value"])
        for key, some in runs(columns["_field"]):
            if key != CLOCK:
                parts.setdefault(name_of(key), []).append(Series(t[some], v[some]))
    joined = {name: _joined(several) for name, several in parts.items()}
    found: dict[str, Series] = {}
    for name, series in joined.items():
        if name.endswith(LOW):
            continue
        lows = joined.get(name + LOW, no_series())
        t, v = course((series.t, series.v), (lows.t, lows.v))
        inside = slice(*np.searchsorted(t, (start, end)))
        if inside.start < inside.stop:
            found[name] = Series(t[inside], v[inside])
    return found


def _joined(several: Sequence[Series]) -> Series:
    t = np.concatenate([part.t for part in several])
    v = np.concatenate([part.v for part in several])
    if np.any(t[1:] < t[:-1]):
        order = np.argsort(t, kind="stable")
        t, v = t[order], v[order]
    return Series(t, v)


def _empty(b: buckets.Buckets) -> Window:
    return buckets.fill(b, spans.readings(np.empty(0, np.int64), np.empty(0)))


def _column(window: Window, result: str) -> NDArray[Any]:
    """The array that one of queries.SUMMARIES fills."""
    columns: dict[str, NDArray[Any]] = {
        "min": window.minimum,
        "max": window.maximum,
        "mean": window.mean,
        "last": window.last,
        "count": window.count,
    }
    return columns[result]
