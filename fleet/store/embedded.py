"""The embedded telemetry store: one SQLite file. Rows of the last day and a half are plain
(`hot`), older days packed; one process writes, any number read. See schema, pack, spans, tending.

As the port says, and: a negative zero is kept as zero; clashes with values that were packed
already are found when the day is packed again and told by the write after that; `tend` packs.
Reading before the writer has made the file gives empty answers.
"""

from __future__ import annotations

import threading
import weakref
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import IO

import numpy as np

from fleet.model import Reading, Series, Window
from fleet.model.telemetry import no_series
from fleet.store import buckets, deleting, pack, schema, spans, tending
from fleet.store.port import StoreFault, WriteResult
from fleet.store.reading import Reader
from fleet.store.writing import LATEST, Writer


class EmbeddedStore:
    """A Store in one file. `writing`: be the one writer (its lock is beside the file)."""

    def __init__(self, path: Path, writing: bool, retention_days: int = 0) -> None:
        """Raises StoreFault when another process writes, or the file is foreign or too new."""
        self._path = path
        self._closed = False
        self._mine = threading.local()
        self._readers: weakref.WeakSet[Reader] = weakref.WeakSet()
        self._turn = threading.Lock()
        self._lock: IO[str] | None = None
        self.writer: Writer | None = None
        if writing:
            self._lock = schema.lock(path.parent / "locks" / "store.lock")
            try:
                db = schema.open_for_writing(path)
                with schema.faults(path):
                    self.writer = Writer(db, path)
            except StoreFault:
                self._lock.close()
                raise
            self._tender = tending.Tender(self.writer, retention_days)

    def write(self, readings: Sequence[Reading]) -> WriteResult:
        with self._turn:
            return self._writing().write(readings)

    def tend(self, now: int, budget_s: float = 0.05) -> bool:
        with self._turn:
            self._writing()
            return self._tender.tend(now, budget_s)

    def read(
        self, device: str, channels: Iterable[str] | None, start: int, end: int
    ) -> dict[str, Series]:
        reader = self._reader()
        if reader is None:
            return {name: no_series() for name in channels or ()}
        return reader.read(device, channels, max(0, start), min(LATEST, end))

    def window(
        self, device: str, channels: Iterable[str], start: int, end: int, n: int
    ) -> dict[str, Window]:
        reader = self._reader()
        if reader is None:
            nothing = buckets.fill(
                buckets.buckets(start, end, n), spans.readings(np.empty(0, np.int64), np.empty(0))
            )
            return dict.fromkeys(channels, nothing)
        return reader.window(device, channels, start, end, n)

    def days(self, device: str, start: int, end: int) -> list[int]:
        reader = self._reader()
        return [] if reader is None else reader.days(device, max(0, start), min(LATEST, end))

    def devices(self) -> list[str]:
        reader = self._reader()
        return [] if reader is None else reader.devices()

    def delete(self, device: str, start: int, end: int) -> int:
        with self._turn:
            writer = self._writing()
            with schema.faults(self._path), schema.transaction(writer.db):
                return deleting.delete(writer, device, max(0, start), min(LATEST, end))

    def check(self) -> list[str]:
        wrong: list[str] = []
        try:
            db = schema.open_for_reading(self._path)
        except StoreFault as fault:
            return [str(fault)]
        if db is None:
            return []
        try:
            with schema.faults(self._path):
                for (finding,) in db.execute("PRAGMA quick_check(20)").fetchall():
                    if finding != "ok":
                        wrong.append(
                            f"{self._path.name}: {finding}. Put a backup into an empty folder"
                            " with `hourhand restore FILE`."
                        )
                for name, t0, fmt, blob in db.execute(
                    "SELECT name, t0, fmt, blob FROM pack JOIN device ON device.id=pack.device"
                ):
                    try:
                        pack.verify(blob, fmt)
                    except ValueError as error:
                        day = np.datetime64(t0, "s").astype("datetime64[D]")
                        wrong.append(
                            f"The packed day {day} of device {name} cannot be read: {error}."
                        )
        except StoreFault as fault:
            wrong.append(str(fault))
        finally:
            db.close()
        return wrong

    def close(self) -> None:
        self._closed = True
        with self._turn:
            for reader in list(self._readers):
                reader.db.close()
            if self.writer is not None:
                self.writer.db.close()
            if self._lock is not None:
                self._lock.close()

    def _writing(self) -> Writer:
        if self._closed:
            raise StoreFault("The telemetry store is closed.")
        if self.writer is None:
            raise StoreFault("This program reads the telemetry store only; ingest writes it.")
        return self.writer

    def _reader(self) -> Reader | None:
        """This thread's connection, opened on first use."""
        if self._closed:
            raise StoreFault("The telemetry store is closed.")
        reader: Reader | None = getattr(self._mine, "reader", None)
        if reader is None:
            db = schema.open_for_reading(self._path)
            if db is not None:
                reader = self._mine.reader = Reader(db, self._path)
                self._readers.add(reader)
        return reader
