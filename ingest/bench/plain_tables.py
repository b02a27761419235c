"""The floor of the store's bench: plain tables of the same durability."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Any

from ingest.bench.standby_sets import CHANNELS, batches


def plain_table(path: Path, narrow: bool) -> sqlite3.Connection:
    """A plain table of the same durability: a row a value (narrow) or a row a reading."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("PRAGMA cache_size=-65536")
    if narrow:
        db.execute(
            "CREATE TABLE r(unit INT, ch INT, ts INT, v REAL, PRIMARY KEY(unit, ch, ts))"
            " WITHOUT ROWID"
        )
    else:
        columns = ", ".join(f"{name} REAL" for name in CHANNELS)
        db.execute(
            f"CREATE TABLE r(unit INT, ts INT, {columns}, PRIMARY KEY(unit, ts)) WITHOUT ROWID"
        )
    return db


def floor_load(db: sqlite3.Connection, narrow: bool, units: int, days: int) -> float:
    """Seconds of plain executemany of the same batches of minute data."""
    spent = 0.0
    statement = f"INSERT INTO r VALUES({', '.join('?' * (4 if narrow else 10))})"
    for batch in batches(units, days, 60):
        began = time.perf_counter()
        rows: list[tuple[Any, ...]]
        if narrow:
            rows = [
                (r.device[4:], c, r.at, v) for r in batch for c, v in enumerate(r.values.values())
            ]
        else:
            rows = [(r.device[4:], r.at, *r.values.values()) for r in batch]
        db.execute("BEGIN IMMEDIATE")
        db.executemany(statement, rows)
        db.execute("COMMIT")
        spent += time.perf_counter() - began
    return spent
