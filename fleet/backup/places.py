"""Where a backup works: folders of its own, files that appear whole or not at all, what an
interruption left, and what a disk refuses, in sentences."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

PREFIX = ".hourhand-"
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class BackupFault(Exception):
    """Nothing was written under the name asked for. Says what was wrong and what to do.

    wrong_use: mended by asking otherwise; else something on the machine or in the file is wrong.
    """

    def __init__(self, message: str, *, wrong_use: bool = False) -> None:
        super().__init__(message)
        self.wrong_use = wrong_use


@contextlib.contextmanager
def writing_to(folder: Path) -> Iterator[None]:
    """Faults of the disk that `folder` lies on, in sentences."""
    try:
        yield
    except sqlite3.Error as fault:
        name = getattr(fault, "sqlite_errorname", "")
        if name.startswith("SQLITE_FULL"):
            raise BackupFault(_full(folder)) from fault
        if name.startswith("SQLITE_IOERR"):
            raise BackupFault(f"{_full(folder, 'full or failing')} ({fault})") from fault
        raise BackupFault(f"The database cannot be copied: {fault}.") from fault
    except OSError as fault:
        if fault.errno in FULL:
            raise BackupFault(_full(folder)) from fault
        raise BackupFault(f"{fault.strerror or fault}: {fault.filename or folder}.") from fault


def _full(folder: Path, what: str = "full") -> str:
    return (
        f"The disk that holds {folder} is {what}: make room, or give a place on another disk. "
        "Nothing was left behind."
    )


@contextlib.contextmanager
def work_folder(beside: Path, what: str) -> Iterator[Path]:
    """A private folder in `beside` for as long as it is needed; those of killed ones are removed.

    It is held by a lock that ends with the process, however that ends.
    """
    clear(beside, what)
    path, held = _made(beside, what)
    try:
        yield path
    finally:
        os.close(held)
        shutil.rmtree(path, ignore_errors=True)


def _made(beside: Path, what: str) -> tuple[Path, int]:
    while True:
        path = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{what}-", dir=beside))
        held = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        fcntl.flock(held, fcntl.LOCK_EX)
        if path.is_dir():  # else somebody cleared it before we held it
            return path, held
        os.close(held)


def clear(beside: Path, what: str) -> None:
    """Remove work folders that nobody holds any more."""
    for path in beside.glob(f"{PREFIX}{what}-*"):
        with contextlib.suppress(OSError):
            held = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
            try:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(path, ignore_errors=True)
            finally:
                os.close(held)


def appear(path: Path, final: Path, force: bool) -> None:
    """The finished file under its name. Raises FileExistsError where that is taken, unless forced."""
    if force:
        path.replace(final)
    else:
        try:
            os.link(path, final)
        except FileExistsError:
            raise
        except OSError:  # a disk without hard links
            if final.exists():
                raise FileExistsError(final) from None
            path.rename(final)
    sync(final.parent)


def sync(path: Path) -> None:
    """What was written to a file or folder is on the disk."""
    held = os.open(path, os.O_RDONLY)
    try:
        os.fsync(held)
    finally:
        os.close(held)
