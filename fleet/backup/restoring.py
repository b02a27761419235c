"""Putting a backup back, into an empty folder: taken out beside it, held against its digests,
brought up to this version's schema, and only then moved into place."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import IO

import msgspec

from fleet.backup.archive import Reading
from fleet.backup.databases import REGISTRY, STORE, TABLES
from fleet.backup.manifest import Manifest
from fleet.backup.places import BackupFault, clear, sync, work_folder, writing_to
from fleet.ending import Fault, fault_from
from fleet.private import FILE, FOLDER, make_folder
from fleet.registry.base.copying import copy_in
from fleet.registry.base.engine import open_as_it_is, open_registry, sqlite_file
from fleet.registry.restored import Settled, settle
from fleet.settings import Settings, load
from fleet.settings.folder import UNFINISHED
from fleet.store import StoreFault, open_store
from fleet.store.writing import LATEST

Say = Callable[[str], None]


class Restored(msgspec.Struct, frozen=True, kw_only=True):
    """What was put back. notes: sentences about what to see to before it is started."""

    data: str
    manifest: Manifest
    settled: Settled
    notes: tuple[str, ...]


def restore(
    source: Path | None,
    data: Path,
    environ: Mapping[str, str],
    now: int,
    say: Say = lambda _: None,
) -> Restored:
    """Put the backup `source` (None: standard input) into the folder `data`, which must be empty.

    The folder is as it was where anything goes wrong. Raises BackupFault, SettingsFault,
    RegistryFault.
    """
    data = data.absolute()
    if source is not None and not source.is_file():
        raise BackupFault(f"There is no file {source}.", wrong_use=True)
    _refuse_full(data)
    beside = _beside(data)
    with writing_to(beside), work_folder(beside, "restore") as work:
        say("reading and checking")
        whole = work / "data"
        make_folder(whole)
        with _opened(source, work) as file:
            reading = Reading(file)
            reading.take_out(whole)
        fault_from(environ)("restore_checked")
        say("bringing it up to date")
        return _put(reading.manifest, whole, data, environ, now)


def _refuse_full(data: Path) -> None:
    if (data / UNFINISHED).exists():
        raise BackupFault(
            f"An earlier restore into {data} was cut off: empty the folder first.", wrong_use=True
        )
    if data.exists() and not data.is_dir():
        raise BackupFault(f"{data} is a file: name a folder with --data.", wrong_use=True)
    if data.is_dir():
        clear(data, "restore")
        inside = [p.name for p in data.iterdir() if p.name != "lost+found"]
        if inside:
            raise BackupFault(
                f"{data} is not empty (it holds {sorted(inside)[0][:80]}), and a restore overwrites "
                "nothing: name an empty or a new folder with --data.",
                wrong_use=True,
            )


def _beside(data: Path) -> Path:
    """Where to work: beside the folder, so that it appears in one step; in it, where it cannot be
    exchanged (a mounted volume, or a parent that we may not write to)."""
    parent = data.resolve().parent
    if data.is_dir():
        alone = not data.is_mount() and not any(data.iterdir()) and not data.is_symlink()
        return parent if alone and os.access(parent, os.W_OK) else data
    with writing_to(parent):
        parent.mkdir(parents=True, exist_ok=True)
    return parent


@contextlib.contextmanager
def _opened(source: Path | None, work: Path) -> Iterator[IO[bytes]]:
    if source is not None:
        with source.open("rb") as file:
            yield file
        return
    spooled = work / "received"
    with spooled.open("w+b") as file:
        shutil.copyfileobj(sys.stdin.buffer, file)
        yield file
    spooled.unlink()


def _put(
    manifest: Manifest, whole: Path, data: Path, environ: Mapping[str, str], now: int
) -> Restored:
    settings = load(whole, environ)
    file = sqlite_file(settings)
    kind = "postgresql" if file is None else "sqlite"
    if kind != manifest.registry.kind:
        raise BackupFault(_other_kind(manifest.registry.kind), wrong_use=True)
    first, notes = _first_days(settings, manifest)
    place = partial(_place, whole, data, fault_from(environ))
    if file is None:
        settled = _into_postgresql(manifest, whole, place, settings, first, now)
    else:
        settled = _into_sqlite(manifest, whole, place, file, first, now)
    notes += _about(settings, manifest, environ)
    return Restored(data=str(data), manifest=manifest, settled=settled, notes=tuple(notes))


def _other_kind(kind: str) -> str:
    if kind == "postgresql":
        return (
            "The registry in this backup was on PostgreSQL: create an empty database and name it in "
            "HOURHAND_REGISTRY_URL."
        )
    return (
        "The registry in this backup is a file (SQLite), but registry_url names PostgreSQL: leave "
        "HOURHAND_REGISTRY_URL out."
    )


def _into_sqlite(
    manifest: Manifest,
    whole: Path,
    place: Callable[[], None],
    file: Path,
    first: Mapping[str, int],
    now: int,
) -> Settled:
    elsewhere = whole not in file.absolute().parents
    if elsewhere and file.exists():
        raise BackupFault(
            f"registry_url names {file}, which is there already, and a restore overwrites nothing: "
            "move it away, or name another file in HOURHAND_REGISTRY_URL.",
            wrong_use=True,
        )
    registry = open_registry(f"sqlite:///{whole / REGISTRY}")
    try:
        with registry.write() as connection:
            settled = settle(connection, first, manifest.made_at, now)
    finally:
        registry.close()
    if elsewhere:
        file.parent.mkdir(parents=True, exist_ok=True)
        shutil.move(whole / REGISTRY, file)
    place()
    return settled


def _into_postgresql(
    manifest: Manifest,
    whole: Path,
    place: Callable[[], None],
    settings: Settings,
    first: Mapping[str, int],
    now: int,
) -> Settled:
    """One transaction, which ends when the folder is in its place too."""
    assert manifest.registry.copied is not None
    registry = open_as_it_is(settings)
    try:
        with registry.write() as connection:
            copy_in(connection, manifest.registry.copied, whole / TABLES)
            settled = settle(connection, first, manifest.made_at, now)
            shutil.rmtree(whole / TABLES)
            place()
    finally:
        registry.close()
    return settled


def _first_days(settings: Settings, manifest: Manifest) -> tuple[dict[str, int], list[str]]:
    """Device to the first UTC day with readings, as the store beside the registry has them."""
    if settings.store == "embedded" and not (settings.data / STORE).exists():
        if manifest.store.kind != "influx":
            return {}, []
        return {}, [
            "The readings were in InfluxDB and are not in the backup, and `store` does not name it "
            "now: set it before the start, or there is nothing to look at."
        ]
    try:
        store = open_store(settings, writing=False)
        try:
            days = ((device, store.days(device, 0, LATEST)) for device in store.devices())
            return {device: found[0] for device, found in days if found}, []
        finally:
            store.close()
    except StoreFault as fault:
        return {}, [
            f"The readings cannot be reached now ({fault}), so the sets are not worked out again "
            "for the days around the backup."
        ]


def _about(settings: Settings, manifest: Manifest, environ: Mapping[str, str]) -> list[str]:
    notes: list[str] = list(manifest.left_out)
    missing = [name for name in manifest.environment if name not in environ]
    if missing:
        notes.append(f"Not set here, as they were where it was made: {', '.join(missing)}.")
    if "HOURHAND_REGISTRY_URL" in environ and settings.registry_url:
        notes.append("Keep HOURHAND_REGISTRY_URL set: it says where the registry was put.")
    return notes


def _place(whole: Path, data: Path, fault: Fault) -> None:
    """The finished folder under its name, with the owner that the name had."""
    owner = data.stat() if data.exists() else None
    if os.geteuid() == 0 and owner is not None:
        for path in (whole, *whole.rglob("*")):
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)
    if not whole.is_relative_to(data):
        whole.rename(data)
        sync(data.parent)
        return
    mark = data / UNFINISHED
    mark.touch(mode=FILE)
    with contextlib.suppress(OSError):  # another's folder: it stays as open as it is
        data.chmod(FOLDER)
    for path in sorted(whole.iterdir()):
        path.rename(data / path.name)
        fault("restore_moving")
    sync(data)
    mark.unlink()
    sync(data)
