"""The whole suite on PostgreSQL: every SQLite registry a test opens becomes a database of its own.

Used by a pytest that `tests/house/test_on_postgresql.py` starts, with the folder of the tests' server in
HOURHAND_TEST_POSTGRES. A registry that a test asks for by its SQLite URL stays what it is.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import psycopg
import sqlalchemy as sa

from fleet.registry.base import engine

HOME = os.environ.get("HOURHAND_TEST_POSTGRES", "")
opened: set[str] = set()


def url_for(registry_file: Path) -> str:
    """The database that stands for this registry file; made where missing."""
    name = "t" + hashlib.sha256(str(registry_file).encode()).hexdigest()[:20]
    if name not in opened:
        with psycopg.connect(
            host=HOME, user="hourhand", dbname="postgres", autocommit=True
        ) as link:
            link.execute("SET lock_timeout = '20s'")
            there = link.execute("SELECT 1 FROM pg_database WHERE datname = %s", (name,))
            if there.fetchone() is None:
                link.execute(f'CREATE DATABASE "{name}"')
        opened.add(name)
    return f"postgresql://hourhand@/{name}?host={HOME}"


def install() -> None:
    """Let every registry of settings without a URL be on PostgreSQL."""
    usual = engine._url_of

    def mapped(place: Any) -> sa.URL:
        if isinstance(place, str) or place.registry_url:
            return usual(place)
        return usual(url_for(place.registry_file))

    engine._url_of = mapped
