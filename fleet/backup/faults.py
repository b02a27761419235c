"""What a backup or a restore refuses, in sentences, and which faults of the system those are."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class BackupFault(Exception):
    """Nothing was written under the name asked for. Says what was wrong and what to do.

    wrong_use: mended by asking otherwise; else something on the machine or in the file is wrong.
    """

    def __init__(self, message: str, *, wrong_use: bool = False) -> None:
        super().__init__(message)
        self.wrong_use = wrong_use


@contextmanager
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
