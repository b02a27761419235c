"""Folders to work in, files that appear whole or not at all, and what an interruption left."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

PREFIX = ".hourhand-"


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
