"""The data folder: what lies in it, and that only its owner reads it.

Everything a program writes there passes here: `own` is called at the front of each program, before
it opens anything, and closes what an earlier version or a wide umask left open.
"""

from __future__ import annotations

import contextlib
import logging
import os
import stat
from collections.abc import Iterator
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

import msgspec

from fleet.private import FILE, FOLDER, make_folder
from fleet.settings.table import SettingsFault

log = logging.getLogger("hourhand.folder")

UNFINISHED = ".hourhand-restore-unfinished"
"""Lies in a folder while a restore moves its files in."""

Kept = Literal["database", "file", "never"]
"""How a backup takes it: as a copy of an open database, as it is, or not at all."""


class Kind(msgspec.Struct, frozen=True):
    """One kind of file in a data folder. pattern: of its path in the folder, with `/`."""

    pattern: str
    kept: Kept
    what: str


KINDS: tuple[Kind, ...] = (
    Kind("registry.db", "database", "the registry"),
    Kind("registry.db-*", "never", "SQLite's own, part of registry.db while it is open"),
    Kind("store.db", "database", "the readings"),
    Kind("store.db-*", "never", "SQLite's own, part of store.db while it is open"),
    Kind("past.db", "file", "what was known when, of a recording that was followed"),
    Kind("past.db-*", "never", "SQLite's own, part of past.db while it is written"),
    Kind("hourhand.toml", "file", "settings"),
    Kind("codes.key", "file", "the key of codes and addresses"),
    Kind("profiles/*.toml", "file", "device profiles"),
    Kind("locks/*.lock", "never", "who runs just now"),
    Kind("inbox/.*", "never", "being written"),
    Kind("inbox/*.part", "never", "being written"),
    Kind("inbox/*.tmp", "never", "being written"),
    Kind("inbox/*.done", "never", "taken already"),
    Kind("inbox/*", "file", "messages not taken yet"),
    Kind("demo/*.part", "never", "being written"),
    Kind("demo/*", "file", "the demonstration's papers and memory"),
    Kind("hourhand-backup-*.zip", "never", "a backup"),
    Kind("hourhand-backup.json", "never", "what a backup says of itself"),
    Kind(".hourhand-*", "never", "a backup or restore at work"),
)
"""What the programs put into a data folder; the first pattern that fits holds."""


def kind_of(name: str) -> Kind | None:
    """The kind of a file by its path in the data folder; None: not one of ours."""
    return next((kind for kind in KINDS if fnmatchcase(name, kind.pattern)), None)


def own(data: Path) -> None:
    """Make the folder where it is missing, and let only its owner into it and what lies there.

    From here on this process makes files that others cannot read, whatever umask it was started
    with. A folder that holds more strange files than ours is left as it is, with a word in the
    log: it may be another's, named by mistake. Raises SettingsFault where it cannot be made, or
    where a restore into it was cut off.
    """
    try:
        data.parent.mkdir(parents=True, exist_ok=True)
        os.umask(0o077)
        make_folder(data)
    except OSError as fault:
        raise SettingsFault(
            f"The data folder {data} cannot be made: {fault}. Check its place and your rights."
        ) from fault
    if (data / UNFINISHED).exists():
        raise SettingsFault(
            f"A restore into {data} was cut off, so what lies there is not whole: empty the folder "
            "and restore again."
        )
    _close(data)


def _close(data: Path) -> None:
    names = _top(data)
    strange = sum(not ours for ours in names.values())
    wide = stat.S_IMODE(data.stat().st_mode) & 0o077
    if strange > len(names) - strange:
        if wide:
            log.warning(
                "%s holds mostly files that are not Hourhand's, so it was left open to others: "
                "give Hourhand a folder of its own",
                data,
            )
        return
    done, refused = 0, 0
    for path, found in [(data, data.stat()), *_below(data)]:
        mode = stat.S_IMODE(found.st_mode)
        if not mode & 0o077:
            continue
        try:
            path.chmod(FOLDER if stat.S_ISDIR(found.st_mode) else mode & FILE)
            done += 1
        except FileNotFoundError:
            continue
        except OSError:
            refused += 1
    if done:
        log.warning(
            "%s was open to others: %d files and folders are its owner's alone now", data, done
        )
    if refused:
        log.warning(
            "%d files and folders in %s are open to others and belong to another user: give them "
            "to the user that runs Hourhand",
            refused,
            data,
        )


def _top(data: Path) -> dict[str, bool]:
    """Names directly in the folder, and whether they are ours."""
    folders = {kind.pattern.partition("/")[0] for kind in KINDS if "/" in kind.pattern}
    return {
        entry.name: entry.name in folders or kind_of(entry.name) is not None
        for entry in data.iterdir()
    }


def _below(data: Path) -> Iterator[tuple[Path, os.stat_result]]:
    """Every folder and regular file below; links are not followed."""
    for at, folders, files in os.walk(data):
        for name in (*folders, *files):
            path = Path(at, name)
            with contextlib.suppress(FileNotFoundError):  # gone meanwhile
                found = path.lstat()
                if stat.S_ISREG(found.st_mode) or stat.S_ISDIR(found.st_mode):
                    yield path, found


def files_in(data: Path) -> Iterator[tuple[str, Path]]:
    """(path in the folder with `/`, path) of every file, link and other thing but folders."""
    for at, folders, files in os.walk(data):
        folders.sort()
        links = [name for name in folders if Path(at, name).is_symlink()]
        for name in sorted((*files, *links)):
            path = Path(at, name)
            yield path.relative_to(data).as_posix(), path
