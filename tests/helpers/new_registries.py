"""A registry with its tables and nothing in them: made by the migrations once a process, then copied."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

import on_postgresql

from fleet.registry.base.engine import Registry, open_registry
from fleet.settings import Settings


@cache
def migrated() -> Path:
    """The file that is copied; gone with the process."""
    home = Path(tempfile.mkdtemp(prefix="hh-migrated-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    open_registry(f"sqlite:///{home}/registry.db").close()
    return home / "registry.db"


def registry_at(file: Path) -> Registry:
    """An open registry on SQLite in this file, new where there is none."""
    if not file.exists():
        shutil.copy(migrated(), file)
    return open_registry(f"sqlite:///{file}")


def registry_of(settings: Settings) -> Registry:
    """The open registry of these settings, new where there is none."""
    if not on_postgresql.HOME and not settings.registry_url and not settings.registry_file.exists():
        shutil.copy(migrated(), settings.registry_file)
    return open_registry(settings)
