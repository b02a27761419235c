"""`hourhand demo`: the whole service on an invented fleet, until its history is worked through and on."""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from fleet import bounds
from fleet.model import EVERYTHING
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryDown
from fleet.settings import Settings, load
from hourhand.options import add_command, registry_of
from hourhand.program import command
from hourhand.supervisor import LOOK_S, Child, Supervisor, free_port, listens, service

LIVE_TOUCHES = 10
"""Touches that live messages of the demo leave between two turns, generously."""


def add_commands(commands: Any) -> None:
    """Add `demo`."""
    demo = add_command(
        commands,
        "demo",
        "run everything on an invented fleet, on loopback only",
        "hourhand demo --units 60 --days 365",
    )
    demo.add_argument(
        "--data", type=Path, metavar="DIR", help="keep the demo here (default: kept nowhere)"
    )
    demo.add_argument(
        "--port",
        type=bounds.argument(1, bounds.PORT_MOST),
        default=8080,
        help="port of the pages (default: 8080)",
    )
    demo.add_argument(
        "--units", type=bounds.argument(1, 10_000), default=60, help="how many sets (default: 60)"
    )
    demo.add_argument(
        "--days", type=bounds.argument(1, 3_660), default=365, help="days of history (default: 365)"
    )
    demo.add_argument(
        "--seed",
        type=bounds.argument(0, bounds.COUNT_MOST),
        default=1,
        help="another seed, another fleet",
    )
    demo.add_argument(
        "--until-loaded", action="store_true", help="stop when the history is loaded (for timing)"
    )
    demo.set_defaults(run=run_demo)


def run_demo(options: argparse.Namespace) -> int:
    """The whole service on an invented fleet, in a folder of its own."""
    if listens("127.0.0.1", options.port):
        print(f"Port {options.port} is taken: give another with --port.", file=sys.stderr)
        return 2
    if options.data is not None:
        return _demo_in(options.data, options)
    with tempfile.TemporaryDirectory(prefix="hourhand-demo-", ignore_cleanup_errors=True) as name:
        return _demo_in(Path(name), options)


def _demo_in(data: Path, options: argparse.Namespace) -> int:
    broker_port = free_port()
    environment = {
        "HOURHAND_DEMO": "true",
        "HOURHAND_FIRM": "Fairlie Standby Power",
        "HOURHAND_HTTP_HOST": "127.0.0.1",
        "HOURHAND_HTTP_PORT": str(options.port),
        "HOURHAND_MQTT_HOST": "127.0.0.1",
        "HOURHAND_MQTT_PORT": str(broker_port),
        "HOURHAND_LOG_LEVEL": "warning",
    }
    settings = load(data, {**os.environ, **environment})
    begun = time.monotonic()
    registry = registry_of(settings)
    fleet = ["run", "--data", str(data), "--port", str(broker_port)]
    fleet += ["--units", str(options.units), "--days", str(options.days)]
    fleet += ["--seed", str(options.seed)]
    children = [
        Child("broker", command("demo_fleet", "broker", "--port", str(broker_port))),
        *service(data),
        Child("demo fleet", command("demo_fleet", *fleet)),
    ]
    supervisor = Supervisor(children, environment)
    supervisor.stop_on_signals()
    supervisor.start_all()
    try:
        _watch_loading(supervisor, registry, settings, begun, options.until_loaded)
    finally:
        supervisor.stop_all()
        registry.close()
    return supervisor.verdict()


class Loading(msgspec.Struct, frozen=True):
    """taken, total: bytes of history; month_in: the newest 30 days are in; waiting: touches."""

    taken: int
    total: int
    month_in: bool
    waiting: int

    @property
    def done(self) -> bool:
        """All taken, and no more waits to be worked through than live messages leave behind."""
        return self.taken >= self.total and self.waiting <= LIVE_TOUCHES


def _watch_loading(
    supervisor: Supervisor, registry: Registry, settings: Settings, begun: float, stop_after: bool
) -> None:
    """Say when the first page is up, when the newest month is in, and when all is loaded."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
    )
    said: set[str] = set()
    loaded = False
    with Progress(*columns) as progress:
        bar = progress.add_task("loading history", total=None)

        def say(what: str) -> None:
            if what not in said:
                said.add(what)
                progress.print(f"{what} (after {time.monotonic() - begun:.0f} s)")

        while not supervisor.stopping.wait(LOOK_S):
            supervisor.look()
            if listens("127.0.0.1", settings.http_port):
                say(f"Open http://127.0.0.1:{settings.http_port} — Ctrl-C stops it")
            state = None if loaded else _loading(registry, settings)
            if state is None:
                continue
            progress.update(bar, completed=state.taken, total=state.total)
            if state.month_in:
                say("The newest 30 days are in")
            if state.done:
                loaded = True
                say("All history is loaded and worked through; live now")
                progress.update(bar, completed=state.total, total=state.total, visible=False)
                if stop_after:
                    supervisor.stopping.set()


def _loading(registry: Registry, settings: Settings) -> Loading | None:
    """How far the history is, from the fleet's manifest and the inbox; None: not yet known."""
    try:
        manifest = json.loads((settings.data / "demo" / "manifest.json").read_text())
        health = lists.health(registry, EVERYTHING)
    except (OSError, ValueError, RegistryDown):
        return None
    marks = {mark.file: mark for mark in health.inbox}
    month = [name for name in manifest["planned"] if _begins(name) >= _month_ago(manifest)]
    taken = sum(mark.offset for mark in health.inbox)
    complete = bool(manifest.get("complete"))
    return Loading(
        taken=taken,
        total=int(manifest["bytes"]) if complete else max(manifest["expected_bytes"], taken + 1),
        month_in=bool(month) and all(name in marks and marks[name].done for name in month),
        waiting=health.touches_device + health.touches_unit,
    )


def _begins(name: str) -> str:
    """The first day of a history file, as its name says it: ...-2026-11-19-to-2026-11-22.jsonl."""
    return name.split("-to-")[0][-10:]


def _month_ago(manifest: dict[str, Any]) -> str:
    then = datetime.fromtimestamp(manifest["until"], UTC) - timedelta(days=30)
    return then.date().isoformat()
