"""Files and folders that only their owner reads, whatever umask the process has."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

FOLDER, FILE = 0o700, 0o600
"""Modes of a folder and a file that their owner alone may read. Definition."""


def make_folder(path: Path) -> None:
    """The folder, made for its owner alone where there is none yet. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.mkdir(mode=FOLDER, exist_ok=True)


def make_file(path: Path) -> None:
    """An empty file for its owner alone, where there is none yet; databases grow from it.

    SQLite gives its own files beside a database the mode of the database. Raises OSError.
    """
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE))
