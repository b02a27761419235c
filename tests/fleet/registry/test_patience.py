"""Programs that start before their database wait for it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread

import psycopg
import pytest
from databases import new_database
from service import free_port, wait_for

from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.retry import open_when_up

pytest_plugins = ["databases"]


@pytest.fixture
def missing(postgres: str) -> tuple[str, Callable[[], None]]:
    """URL of a database that is not there, and what makes it."""
    url = new_database(postgres, "patience")
    with psycopg.connect(
        host=postgres, user="hourhand", dbname="postgres", autocommit=True
    ) as link:
        link.execute("DROP DATABASE patience")

    def make() -> None:
        new_database(postgres, "patience")

    return url, make


@pytest.mark.parametrize("program", ["ingest", "dashboard", "scheduler"])
def test_a_program_waits_for_its_registry_and_then_works(
    program: str, missing: tuple[str, Callable[[], None]], tmp_path: Path
) -> None:
    url, make = missing
    environment = {
        **os.environ,
        "HOURHAND_REGISTRY_URL": url,
        "HOURHAND_HTTP_PORT": str(free_port()),
        "HOURHAND_MQTT_PORT": str(free_port()),
    }
    said = tmp_path / "said"
    with said.open("wb") as out:
        running = subprocess.Popen(
            [sys.executable, "-m", program, "--data", tmp_path / "data"],
            env=environment,
            stdout=out,
            stderr=out,
        )
    try:
        assert wait_for("a word on waiting", lambda: "Trying again" in said.read_text())
        assert running.poll() is None
        make()
        registry = open_registry(url)
        assert wait_for("a sign of life", lambda: bool(unscoped.heartbeats(registry)))
        registry.close()
    finally:
        running.send_signal(signal.SIGTERM)
        assert running.wait(120) in (0, -signal.SIGTERM), said.read_text()


def test_whoever_is_told_to_stop_while_waiting_stops(
    missing: tuple[str, Callable[[], None]],
) -> None:
    stop = Event()
    said: list[str] = []
    got: list[object] = []
    waiter = Thread(target=lambda: got.append(open_when_up(missing[0], stop, said.append)))
    waiter.start()
    assert wait_for("a word", lambda: bool(said))
    stop.set()
    waiter.join(10)
    assert got == [None]
    assert "Trying again in 1 s" in said[0]


def test_a_registry_that_refuses_is_not_waited_for() -> None:
    with pytest.raises(RegistryFault, match="must begin with"):
        open_when_up("mysql://x/y", Event(), print)
