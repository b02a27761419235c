"""Taking a backup while everything runs.

The order matters. Messages that wait in the inbox first: what is taken from there meanwhile stands
in registry and store, which are copied later. Then the registry, then the readings: ingest writes
readings before it tells the registry, so whatever the registry knows of, the copy of the store has.
Readings that come between the two are in the copy without the registry having heard of them; a
restore therefore has every set worked out again. The key of codes and addresses after the registry:
so it is the one that opens what the registry holds.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

import msgspec

from fleet.backup import databases
from fleet.backup import manifest as m
from fleet.backup.archive import Writing
from fleet.backup.manifest import Manifest
from fleet.backup.places import BackupFault, appear, sync, work_folder, writing_to
from fleet.ending import fault_from
from fleet.private import FILE
from fleet.registry.base.engine import sqlite_file
from fleet.settings import Settings
from fleet.settings.folder import files_in, kind_of
from fleet.settings.table import PREFIX, TABLE
from fleet.words.notice_sentences import utc

Say = Callable[[str], None]
TEST = "HOURHAND_TEST_"


class Taken(msgspec.Struct, frozen=True, kw_only=True):
    """A finished backup. file: None where it went to standard output; others: files that are none
    of ours and were taken along; left_out: sentences."""

    file: str | None
    size: int
    manifest: Manifest
    others: tuple[str, ...]

    @property
    def left_out(self) -> tuple[str, ...]:
        """What is not in it."""
        return self.manifest.left_out


class _Files:
    """Members added, and what was left out of them."""

    def __init__(self, settings: Settings, into: Writing) -> None:
        self.settings, self.into = settings, into
        self.others: list[str] = []
        self.left_out: list[str] = []

    def inbox(self) -> None:
        self._add(lambda name: name.startswith("inbox/"))

    def rest(self) -> None:
        self._add(lambda name: not name.startswith("inbox/"))

    def _add(self, wanted: Callable[[str], bool]) -> None:
        for name, path in files_in(self.settings.data):
            kind = kind_of(name)
            if not wanted(name) or (kind is not None and kind.kept != "file"):
                continue
            try:
                m.check_name(name)
                name.encode()
                if path.is_symlink() or not path.is_file():
                    raise ValueError
            except (BackupFault, ValueError):
                self.left_out.append(
                    f"{ascii(name[:100])[1:-1]}: a link, no plain file, or of a name that cannot "
                    "be kept. Save it yourself."
                )
                continue
            with contextlib.suppress(FileNotFoundError):  # taken meanwhile, so in the databases
                self.into.add(path, name)
                if kind is None:
                    self.others.append(name)


def take(
    settings: Settings,
    environ: Mapping[str, str],
    target: Path | None,
    now: int,
    force: bool = False,
    say: Say = lambda _: None,
) -> Taken:
    """Take a backup into `target`, which appears whole or not at all; None: to standard output.

    now: UTC seconds. say: told what is done just now. Raises BackupFault, RegistryFault.
    """
    if not settings.data.is_dir():
        raise BackupFault(
            f"The data folder {settings.data} does not exist: name it with --data.", wrong_use=True
        )
    beside = settings.data if target is None else _checked(settings, target, force)
    with writing_to(beside), work_folder(beside, "backup") as work:
        if target is None:
            return _write(settings, environ, sys.stdout.buffer, work, now, say)
        partial = work / "backup"
        made = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE)
        with os.fdopen(made, "wb") as file:
            taken = _write(settings, environ, file, work, now, say)
        sync(partial)
        fault_from(environ)("backup_written")
        size = partial.stat().st_size
        try:
            appear(partial, target, force)
        except FileExistsError:
            raise _taken_name(target) from None
        return msgspec.structs.replace(taken, file=str(target), size=size)


def _checked(settings: Settings, target: Path, force: bool) -> Path:
    """The folder of the target. Raises BackupFault where it may not be there."""
    beside = target.absolute().parent
    if target.is_dir():
        raise BackupFault(f"{target} is a folder: name a file in it.", wrong_use=True)
    if not beside.is_dir():
        raise BackupFault(f"There is no folder {beside}: make it first.", wrong_use=True)
    if settings.data.resolve() in (beside.resolve(), *beside.resolve().parents):
        raise BackupFault(
            f"{target} would lie in the data folder and be lost with it: give a place elsewhere, "
            "best on another machine, or - for standard output.",
            wrong_use=True,
        )
    if target.exists() and not force:
        raise _taken_name(target)
    return beside


def _taken_name(target: Path) -> BackupFault:
    return BackupFault(
        f"{target} is there already and was left as it is: give another name, or --force.",
        wrong_use=True,
    )


def _write(
    settings: Settings, environ: Mapping[str, str], file: BinaryIO, work: Path, now: int, say: Say
) -> Taken:
    with Writing(file, now) as into:
        files, fault = _Files(settings, into), fault_from(environ)
        say("messages that wait")
        files.inbox()
        say("registry")
        registry, copies = databases.copy_registry(settings, sqlite_file(settings), work)
        _move(copies, work, into)
        fault("registry_copied")
        say("readings")
        store, copies = m.StorePart(settings.store), list[Path]()
        if settings.store == "embedded":
            store, copies = databases.copy_store(settings.store_file, work)
        _move(copies, work, into)
        say("keys and settings")
        files.rest()
        given = tuple(sorted(_given(environ)))
        manifest = Manifest(
            format=m.FORMAT,
            hourhand=m.our_version(),
            made_at=now,
            made=utc(now),
            registry=registry,
            store=store,
            members=tuple(into.members),
            environment=given,
            left_out=(*_left_out(settings, given), *files.left_out),
        )
        into.close(manifest)
    file.flush()
    return Taken(file=None, size=0, manifest=manifest, others=tuple(files.others))


def _move(copies: list[Path], work: Path, into: Writing) -> None:
    """Copies into the backup; each goes as soon as it is in, for want of room."""
    for path in copies:
        into.add(path, path.relative_to(work).as_posix())
        path.unlink()


def _given(environ: Mapping[str, str]) -> Iterator[str]:
    """Settings that come from the environment; the place of the folder is none to keep."""
    known = {setting.variable for setting in TABLE[1:]}
    return (name for name in environ if name in known and not name.startswith(TEST))


def _left_out(settings: Settings, given: tuple[str, ...]) -> Iterator[str]:
    if settings.store == "influx":
        yield (
            f"The readings: they are in InfluxDB, bucket {settings.influx_bucket}. Save them there "
            "with its own `influx backup`."
        )
    if given:
        yield (
            f"Settings from the environment ({', '.join(given)}): save them where they are written."
        )
    if PREFIX + "CODES_KEY" in given:
        yield (
            "Among them the key of codes and addresses (HOURHAND_CODES_KEY): without it those in "
            "the backup stay closed."
        )
    data = settings.data.resolve()
    for name in (setting.name for setting in TABLE if setting.kind == "file"):
        path = getattr(settings, name)
        if path and data not in Path(path).resolve().parents:
            yield f"The file that {name} names: it lies outside the data folder. Save it yourself."
