"""Housekeeping of the embedded store: packing, retention, giving space back. In small slices.

When a day is packed: 12 h after it closed, once nothing was written to it for 30 s (so an import
of old days is packed right behind it), or for 15 min where the day has a pack already (so a
device that sends an old day bit by bit does not have it packed again for every bit).
"""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable

from fleet.calendar import DAY_S
from fleet.store import schema
from fleet.store.daily import pack_day
from fleet.store.port import StoreFault
from fleet.store.reading import Names
from fleet.store.writing import Writer

CLOSED_S = 12 * 3600
QUIET_S = 30
QUIET_AGAIN_S = 900
SWEEP_S = 5
SWEEP_AT_MOST = 200
CHECKPOINT_S = 60
"""Age at which a day is packed, and how often the file is looked at and tended. A pace of ours."""
# A free list is left for the next rows until it is a quarter of the file, then cut to a tenth.
VACUUM_FROM, VACUUM_TO, VACUUM_PAGES = 0.25, 0.10, 256
SPARE_PAGES = 2000
"""Shares of free pages, pages cut at a time, and pages always left free. A size of a batch."""

Key = tuple[int, int]


class Tender:
    """What there is to do, remembered between slices. One thread, the writer's."""

    def __init__(self, writer: Writer, retention_days: int) -> None:
        self._writer = writer
        self._db = writer.db
        self._names = Names(self._db)
        self._retention_days = retention_days
        self._written: dict[Key, int] = {}
        self._quiet: dict[Key, int] = {}
        self._due: deque[Key] = deque()
        self._scan: Key | None = (0, 0)
        self._swept_at = self._checkpoint_at = -1
        self._expire: deque[int] = deque()
        self._expired_before = 0
        self._vacuuming = False

    def tend(self, now: int, budget_s: float) -> bool:
        """One slice of at most about budget_s; at least one step. True: there is more to do now."""
        deadline = time.perf_counter() + budget_s
        with schema.faults(self._writer.path):
            self._notice(now)
            for step in (self._scan_step, self._expire_step):
                self._repeat(step, now, deadline)
            self._sweep(now)
            self._pack_slice(deadline)
            self._sweep(now)
            if not self._due and time.perf_counter() < deadline:
                self._vacuum_step()
            if not 0 <= now - self._checkpoint_at < CHECKPOINT_S:
                self._checkpoint_at = now
                self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        return bool(self._due or self._scan or self._expire or self._vacuuming)

    def _repeat(self, step: Callable[[int], bool], now: int, deadline: float) -> None:
        while step(now) and time.perf_counter() < deadline:
            pass

    def _notice(self, now: int) -> None:
        """Stamp the days written since the last slice."""
        for key in self._writer.touched:
            self._written[key] = now
        self._writer.touched.clear()

    def _scan_step(self, now: int) -> bool:
        """After a start: find the days that were left in `hot`, one index seek each."""
        if self._scan is None:
            return False
        row = self._db.execute(
            "SELECT device, ts FROM hot WHERE (device, ts)>=(?, ?) ORDER BY device, ts LIMIT 1",
            self._scan,
        ).fetchone()
        if row is None:
            self._scan = None
            return False
        device, day = row[0], row[1] // DAY_S
        self._written.setdefault((device, day), 0)
        self._scan = (device, (day + 1) * DAY_S)
        return True

    def _sweep(self, now: int) -> None:
        """Queue the days that are due."""
        if self._due or 0 <= now - self._swept_at < SWEEP_S:
            return
        due: list[Key] = []
        for key, written in self._written.items():
            if len(due) >= SWEEP_AT_MOST:
                break
            if written > now:
                self._written[key] = now
            elif (key[1] + 1) * DAY_S + CLOSED_S <= now and now - written >= self._wait(key):
                due.append(key)
        else:
            self._swept_at = now
        self._due.extend(sorted(due))

    def _wait(self, key: Key) -> int:
        """Seconds without a write before the day is packed."""
        if key not in self._quiet:
            packed = self._db.execute(
                "SELECT 1 FROM pack WHERE device=? AND t0=?", (key[0], key[1] * DAY_S)
            ).fetchone()
            self._quiet[key] = QUIET_AGAIN_S if packed else QUIET_S
        return self._quiet[key]

    def _pack_slice(self, deadline: float) -> None:
        """Pack due days in one transaction until the time is up."""
        if not self._due:
            return
        done: list[Key] = []
        clashes: list[tuple[int, int]] = []
        # Channel numbers given in a transaction that fails are given again, to other names.
        self._names.clear()
        with schema.transaction(self._db):
            took = 0.0
            while self._due and (not done or time.perf_counter() + took < deadline):
                began = time.perf_counter()
                key = self._due[0]
                # A damaged pack: its late rows stay in `hot`; check() tells.
                with contextlib.suppress(StoreFault):
                    clashes.append((key[0], pack_day(self._writer, self._names, *key)))
                done.append(self._due.popleft())
                took = time.perf_counter() - began
        for key in done:
            self._written.pop(key, None)
            self._quiet.pop(key, None)
        for device, count in clashes:
            self._writer.found_late(device, count)

    def _expire_step(self, now: int) -> bool:
        """Retention: the days of one device that ended before the limit."""
        if not self._retention_days:
            return False
        before = (now // DAY_S - self._retention_days) * DAY_S
        if before > self._expired_before and not self._expire:
            self._expire.extend(r[0] for r in self._db.execute("SELECT id FROM device"))
            self._expired_before = before
        if not self._expire:
            return False
        device = self._expire[0]
        with schema.transaction(self._db):
            for table, column in (("pack", "t0"), ("hot", "ts")):
                self._db.execute(
                    f"DELETE FROM {table} WHERE device=? AND {column}<?",
                    (device, self._expired_before),
                )
        self._expire.popleft()
        return bool(self._expire)

    def _vacuum_step(self) -> None:
        free = self._db.execute("PRAGMA freelist_count").fetchone()[0]
        pages = self._db.execute("PRAGMA page_count").fetchone()[0]
        share = VACUUM_TO if self._vacuuming else VACUUM_FROM
        self._vacuuming = free > SPARE_PAGES and free > share * pages
        if self._vacuuming:
            self._db.execute(f"PRAGMA incremental_vacuum({VACUUM_PAGES})").fetchall()
