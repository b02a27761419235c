"""The two databases of a service, copied while programs write to them.

SQLite by its online backup: one read transaction over the whole file, what stands in the
write-ahead log included; writers go on meanwhile. PostgreSQL by COPY in one snapshot
(`fleet.registry.base.copying`). What was copied is checked before it is called a backup.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from fleet.backup.manifest import RegistryPart, StorePart
from fleet.backup.places import BackupFault
from fleet.registry.base import copying
from fleet.registry.base.engine import open_as_it_is, schemas
from fleet.registry.base.faults import Place
from fleet.store import schema

REGISTRY, STORE, TABLES = "registry.db", "store.db", "registry.postgresql"
BUSY_S = 30.0
"""How long a copy waits for a writer. A pace of ours."""


def copy_registry(place: Place, file: Path | None, work: Path) -> tuple[RegistryPart, list[Path]]:
    """The registry as files in `work`. file: where it is SQLite, its file.

    Raises BackupFault, RegistryFault, RegistryDown, OSError, sqlite3.Error.
    """
    if file is None:
        folder = work / TABLES
        folder.mkdir()
        registry = open_as_it_is(place)
        try:
            copied = copying.copy_out(registry, folder)
        finally:
            registry.close()
        rows = dict(copying.counts(copied.tables))
        part = RegistryPart("postgresql", copied.schema, rows, copied)
        return part, [folder / f"{table.name}.copy" for table in copied.tables]
    if not file.exists():
        raise BackupFault(
            f"There is no registry at {file}: nothing to back up. Where the service is given its "
            "settings in the environment, give the same to `hourhand backup`.",
            wrong_use=True,
        )
    with contextlib.closing(copy_sqlite(file, work / REGISTRY, "registry")) as db:
        return RegistryPart("sqlite", _schema(db, file), _rows(db)), [work / REGISTRY]


def _schema(db: sqlite3.Connection, file: Path) -> str:
    try:
        found = db.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.OperationalError:
        found = None
    if found is None:
        raise BackupFault(f"{file} holds no registry: nothing to back up.", wrong_use=True)
    if found[0] not in schemas():
        raise BackupFault(
            f"The registry is of a newer Hourhand (schema {found[0]}): back it up with that one."
        )
    return str(found[0])


def _rows(db: sqlite3.Connection) -> dict[str, int]:
    names = db.execute("SELECT name FROM sqlite_master WHERE type='table' ORDER BY name").fetchall()
    return {
        name: db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]
        for (name,) in names
        if not name.startswith(("sqlite_", "alembic_"))
    }


def copy_store(file: Path, work: Path) -> tuple[StorePart, list[Path]]:
    """The embedded store as a file in `work`, where there is one yet."""
    if not file.exists():
        return StorePart("embedded"), []
    with contextlib.closing(copy_sqlite(file, work / STORE, "telemetry store")) as db:
        if not db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            return StorePart("embedded"), []
        version = db.execute("PRAGMA user_version").fetchone()[0]
        foreign = db.execute("PRAGMA application_id").fetchone()[0] != schema.APPLICATION_ID
        if foreign or version > schema.VERSION:
            raise BackupFault(f"{file} is no telemetry store that this Hourhand can read.")
        devices = db.execute("SELECT count(*) FROM device").fetchone()[0]
        return StorePart("embedded", version, devices), [work / STORE]


def copy_sqlite(file: Path, into: Path, what: str) -> sqlite3.Connection:
    """An online copy, sound as far as SQLite can tell; returned open. Raises BackupFault."""
    source = sqlite3.connect(f"{file.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_S)
    copy = sqlite3.connect(into, isolation_level=None)
    try:
        with contextlib.closing(source):
            source.execute("PRAGMA query_only=1")
            source.backup(copy)
        # A copy in one file, without a log beside it.
        copy.execute("PRAGMA journal_mode=DELETE").fetchall()
        (found,) = copy.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.DatabaseError as fault:
        copy.close()
        if getattr(fault, "sqlite_errorname", "") in ("SQLITE_CORRUPT", "SQLITE_NOTADB"):
            raise _damaged(file, what, str(fault)) from fault
        raise
    if found != "ok":
        copy.close()
        raise _damaged(file, what, found)
    return copy


def _damaged(file: Path, what: str, how: str) -> BackupFault:
    return BackupFault(
        f"The {what} {file} is damaged ({how}), and a backup of it would be too; none was made. "
        "Put an earlier one into an empty folder with `hourhand restore FILE`, and keep this one."
    )
