"""Several schedulers on one registry: one leads, the others stand by and take over."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
from databases import new_database
from service import wait_for

from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.registry.base.lead import KEY, Lead

pytest_plugins = ["databases"]


@pytest.fixture
def url(postgres: str) -> str:
    """A registry of its own on PostgreSQL."""
    return new_database(postgres, "lead")


def test_one_leads_and_the_next_takes_over(url: str) -> None:
    first, second = open_registry(url), open_registry(url)
    one, two = Lead(first), Lead(second)
    assert one.held()
    assert one.held()
    assert not two.held()
    one.give_up()
    wait_for("the server to let go of the lock", two.held)
    assert not one.held()
    two.give_up()
    first.close()
    second.close()


def test_a_connection_cut_off_is_a_lead_lost(url: str, postgres: str) -> None:
    first, second = open_registry(url), open_registry(url)
    one, two = Lead(first), Lead(second)
    assert one.held()
    with psycopg.connect(host=postgres, user="hourhand", dbname="lead", autocommit=True) as link:
        ended = link.execute(
            "SELECT count(pg_terminate_backend(pid)) FROM pg_locks "
            "WHERE locktype = 'advisory' AND objid = %s",
            (KEY,),
        ).fetchone()
    assert ended == (1,)
    assert wait_for("the second to lead", two.held)
    assert not one.held()
    two.give_up()
    first.close()
    second.close()


def test_on_sqlite_the_lock_file_has_seen_to_it(tmp_path: Path) -> None:
    registry = open_registry(f"sqlite:///{tmp_path}/registry.db")
    assert Lead(registry).held()
    registry.close()


def start(url: str, data: Path) -> subprocess.Popen[bytes]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("HOURHAND_")}
    environment["HOURHAND_REGISTRY_URL"] = url
    return subprocess.Popen(
        [sys.executable, "-m", "scheduler", "--data", str(data)],
        env=environment,
        stderr=subprocess.DEVNULL,
    )


def test_the_one_standing_by_takes_over_from_a_killed_one(url: str, tmp_path: Path) -> None:
    registry = open_registry(url)
    first = start(url, tmp_path / "a")
    wait_for("the first to lead", lambda: "scheduler" in unscoped.heartbeats(registry))
    second = start(url, tmp_path / "b")
    try:
        wait_for(
            "the second to stand by",
            lambda: "scheduler standing by" in unscoped.heartbeats(registry),
        )
        first.send_signal(signal.SIGKILL)
        first.wait()

        def taken_over() -> bool:
            beat = unscoped.heartbeats(registry)["scheduler"][1]
            return bool(beat["pid"] == second.pid and beat["turns"] > 0)

        wait_for("the second to lead", taken_over)
    finally:
        for process in (first, second):
            if process.poll() is None:
                process.terminate()
            process.wait(120)
        registry.close()
