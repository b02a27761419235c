"""The embedded store's file: tables, opening, the writer's lock, and what its errors mean.

device(id, name)          names are interned; a device is never forgotten
channel(id, name)         ids used in packs
hot(device, ts, <one REAL column a glossary channel>, clock, extra)
                          rows not packed yet; NULL: not reported; clock: rank
                          (block.CLOCK_RANK); extra: JSON object of unknown channels
pack(device, t0, n, fmt, summary, blob)
                          one UTC day of n rows (pack.py, spans.py)
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from fleet.channels import NAMES
from fleet.private import make_file, make_folder
from fleet.store.port import StoreDown, StoreFault

APPLICATION_ID = 0x48724864
VERSION = 1
"""What marks a file as ours, and the form of its tables. Definition."""
FIXED = ("device", "ts", "clock", "extra")

_DDL = (
    "CREATE TABLE device(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    "CREATE TABLE channel(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    "CREATE TABLE hot(device INTEGER NOT NULL, ts INTEGER NOT NULL, clock INTEGER NOT NULL,"
    " extra TEXT, PRIMARY KEY(device, ts)) WITHOUT ROWID",
    "CREATE TABLE pack(device INTEGER NOT NULL, t0 INTEGER NOT NULL, n INTEGER NOT NULL,"
    " fmt INTEGER NOT NULL, summary BLOB NOT NULL, blob BLOB NOT NULL, UNIQUE(device, t0))",
    f"PRAGMA application_id={APPLICATION_ID}",
    f"PRAGMA user_version={VERSION}",
)

_SENTENCES = {
    "SQLITE_FULL": "The disk that holds the telemetry store is full. Free some space; nothing is lost meanwhile.",
    "SQLITE_BUSY": "The telemetry store is locked by another program. It is tried again.",
    "SQLITE_LOCKED": "The telemetry store is locked by another program. It is tried again.",
    "SQLITE_IOERR": "The disk that holds the telemetry store reports an input/output error. Check the disk.",
    "SQLITE_CANTOPEN": "The telemetry store cannot be opened. Check that its folder exists and may be written.",
    "SQLITE_READONLY": "The telemetry store may not be written. Check the owner and rights of its folder.",
    "SQLITE_CORRUPT": "The telemetry store is damaged. Stop the programs and put a backup into an empty folder with `hourhand restore FILE`.",
    "SQLITE_NOTADB": "The file is not a telemetry store. Move it away, or put a backup into an empty folder with `hourhand restore FILE`.",
}
_FINAL = ("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_ERROR")


def translate(error: sqlite3.Error, path: Path) -> StoreFault:
    """StoreDown for what may pass (locked, full, I/O), StoreFault for what will not."""
    name = getattr(error, "sqlite_errorname", None) or ""
    kind = "_".join(name.split("_")[:2])
    sentence = _SENTENCES.get(kind, "The telemetry store failed.")
    message = f"{sentence} ({path.name}: {error})"
    if isinstance(error, sqlite3.OperationalError) and kind not in _FINAL:
        return StoreDown(message)
    return StoreFault(message)


@contextlib.contextmanager
def faults(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into the port's."""
    try:
        yield
    except sqlite3.Error as error:
        raise translate(error, path) from error


@contextlib.contextmanager
def transaction(db: sqlite3.Connection, kind: str = "IMMEDIATE") -> Iterator[None]:
    """One transaction: committed at the end, rolled back when anything fails."""
    db.execute(f"BEGIN {kind}")
    try:
        yield
        db.execute("COMMIT")
    finally:
        if db.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                db.execute("ROLLBACK")


def open_for_writing(path: Path) -> sqlite3.Connection:
    """The writer's connection; makes file and tables, adds columns for new glossary channels.

    Raises StoreFault for a file that is not ours or of a newer version, StoreDown when the file
    cannot be opened now.
    """
    _make(path)
    with faults(path):
        db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=10.0)
        try:
            _prepare(db, path)
        except (sqlite3.Error, StoreFault):
            db.close()
            raise
        return db


def _make(path: Path) -> None:
    try:
        make_file(path)
    except OSError as fault:
        kind = "SQLITE_FULL" if fault.errno == errno.ENOSPC else "SQLITE_CANTOPEN"
        raise StoreDown(f"{_SENTENCES[kind]} ({path.name}: {fault})") from fault


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    if not _is_ours(db, path):
        db.execute("PRAGMA auto_vacuum=INCREMENTAL")
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("PRAGMA cache_size=-65536")
    db.execute(f"PRAGMA journal_size_limit={64 << 20}")
    with transaction(db):
        if not _is_ours(db, path):
            for statement in _DDL:
                db.execute(statement)
        present = set(columns(db))
        for name in NAMES:
            if name not in present:
                db.execute(f'ALTER TABLE hot ADD COLUMN "{name}" REAL')


def open_for_reading(path: Path) -> sqlite3.Connection | None:
    """A query-only connection; None while the store does not exist yet (reads are then empty)."""
    if not path.exists():
        return None
    with faults(path):
        db = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
            timeout=10.0,
        )
        try:
            db.execute("PRAGMA query_only=1")
            ours = _is_ours(db, path)
        except (sqlite3.Error, StoreFault):
            db.close()
            raise
        if not ours:
            db.close()
            return None
        return db


def _is_ours(db: sqlite3.Connection, path: Path) -> bool:
    """False for an empty file. Raises StoreFault for another program's or a newer version's."""
    if not db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        return False
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise StoreFault(
            f"{path.name} is a database of another program. Move it away or choose another folder."
        )
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version != VERSION:
        raise StoreFault(
            f"{path.name} was written by a newer Hourhand (store version {version}, this program"
            f" reads {VERSION}). Use that version, or put a backup made with this one into an empty folder"
            " with `hourhand restore FILE`."
        )
    return True


def columns(db: sqlite3.Connection) -> tuple[str, ...]:
    """The channels that have a column of their own."""
    names = (row[1] for row in db.execute("PRAGMA table_info(hot)"))
    return tuple(name for name in names if name not in FIXED)


def lock(path: Path) -> IO[str]:
    """Hold the one writer's lock until the returned file is closed. Raises StoreFault if taken."""
    make_folder(path.parent)
    make_file(path)
    file = path.open("a+", encoding="ascii")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.seek(0)
        holder = file.read(20).strip()
        file.close()
        raise StoreFault(
            f"Another program (process {holder or 'unknown'}) is writing to this telemetry store."
            " One program writes; stop the other one first."
        ) from None
    file.truncate(0)
    file.write(str(os.getpid()))
    file.flush()
    return file
