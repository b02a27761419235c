"""Registries to test on: SQLite always, PostgreSQL where its binaries are on this machine.

A plugin of fixtures: a test module that wants them says `pytest_plugins = ["databases"]`.
A test that uses `reg` or `registry_url` runs once on each database, one that uses `lite` on SQLite.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import parts
import psycopg
import pytest
from new_registries import registry_at

from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.base.tables import metadata

DATABASES = ("sqlite", "postgresql")


def _other_user() -> dict[str, Any]:
    """PostgreSQL refuses to run as root: another user for subprocess, where we are root."""
    user = parts.other_user() if os.geteuid() == 0 else None
    return {} if user is None else {"user": user[0], "group": user[1], "extra_groups": []}


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """Folder of the socket of a PostgreSQL server of our own, thrown away afterwards."""
    parts.need("postgresql")
    binaries = parts.postgres_folder()
    assert binaries is not None
    user = _other_user()
    home = Path(tempfile.mkdtemp(prefix="hh-pg-", dir="/tmp"))
    server: subprocess.Popen[bytes] | None = None
    try:
        if user:
            os.chown(home, user["user"], user["group"])
        data = home / "data"
        made = subprocess.run(
            [
                binaries / "initdb",
                "-D",
                data,
                "-U",
                "hourhand",
                "-A",
                "trust",
                "-E",
                "UTF8",
                "--locale=C.UTF-8",
                "--no-sync",
            ],
            capture_output=True,
            text=True,
            check=False,
            cwd=home,
            **user,
        )
        if made.returncode != 0:
            parts.skip("postgresql", f"initdb does not work here: {made.stderr.strip()[-300:]}")
        server = subprocess.Popen(
            [
                binaries / "postgres",
                "-D",
                data,
                "-k",
                home,
                "-c",
                "listen_addresses=",
                "-c",
                "fsync=off",
                "-c",
                "max_connections=200",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=home,
            **user,
        )
        _wait(home)
        yield str(home)
    finally:
        if server is not None:
            server.send_signal(signal.SIGQUIT)
            server.wait(120)
        shutil.rmtree(home, ignore_errors=True)


def _wait(home: Path) -> None:
    give_up = time.monotonic() + 30
    while True:
        try:
            psycopg.connect(host=str(home), user="hourhand", dbname="postgres").close()
            return
        except psycopg.OperationalError:
            if time.monotonic() > give_up:
                raise
            time.sleep(0.1)


def new_database(home: str, name: str) -> str:
    """URL of an empty database of that name on the tests' server; an older one is dropped."""
    with psycopg.connect(host=home, user="hourhand", dbname="postgres", autocommit=True) as link:
        link.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        link.execute(f'CREATE DATABASE "{name}"')
    return f"postgresql://hourhand@/{name}?host={home}"


@pytest.fixture(params=DATABASES)
def registry_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """URL of an empty registry, not even with a schema, that nobody else uses."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/registry.db"
    home = request.getfixturevalue("postgres")
    with psycopg.connect(host=home, user="hourhand", dbname="postgres", autocommit=True) as link:
        link.execute("SET lock_timeout = '10s'")
        link.execute("DROP SCHEMA public CASCADE")
        link.execute("CREATE SCHEMA public")
    return f"postgresql://hourhand@/postgres?host={home}"


@pytest.fixture(scope="session")
def migrated_url(postgres: str) -> str:
    """A registry on PostgreSQL, to be emptied before each test."""
    with psycopg.connect(
        host=postgres, user="hourhand", dbname="postgres", autocommit=True
    ) as link:
        link.execute("CREATE DATABASE migrated")
    url = f"postgresql://hourhand@/migrated?host={postgres}"
    open_registry(url).close()
    return url


@pytest.fixture
def lite(tmp_path: Path) -> Iterator[Registry]:
    """An open registry on SQLite alone, for tests of what is the same on both."""
    registry = registry_at(tmp_path / "registry.db")
    yield registry
    registry.close()


@pytest.fixture(params=DATABASES)
def reg(request: pytest.FixtureRequest) -> Iterator[Registry]:
    """An open registry, empty but for its schema, on each database."""
    if request.param == "sqlite":
        yield request.getfixturevalue("lite")
        return
    registry = open_registry(request.getfixturevalue("migrated_url"))
    _emptied(registry)
    yield registry
    registry.close()


def _emptied(registry: Registry) -> None:
    """No rows and every counter at its beginning, as after the migrations.

    Only what was written to is touched: to truncate all of fifty tables takes 50 times as long as to
    ask which have rows.
    """
    asked = " UNION ALL ".join(
        f"SELECT '{table}' WHERE EXISTS (SELECT 1 FROM \"{table}\")" for table in metadata.tables
    )
    counters = "SELECT sequencename FROM pg_sequences WHERE last_value IS NOT NULL"
    with registry.write() as connection:
        held = connection.exec_driver_sql(asked).scalars().all()
        if held:
            tables = ", ".join(f'"{table}"' for table in held)
            connection.exec_driver_sql(f"TRUNCATE {tables} CASCADE")
        for counter in connection.exec_driver_sql(counters).scalars().all():
            connection.exec_driver_sql(f'ALTER SEQUENCE "{counter}" RESTART')
