"""`hourhand replay`, `check` and `bench`: looking after the service."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import time
from pathlib import Path
from typing import Any

from fleet import clock
from fleet.cli.options import add_command, data_option, json_option, registry_of, settings_of
from fleet.cli.programs import listens, run_program
from fleet.model import EVERYTHING
from fleet.private import make_folder
from fleet.registry import pages
from fleet.registry.engine import Registry
from fleet.settings import Settings

ALIVE_S = 30
"""A heartbeat older than this is a program that does not run (they beat every 5 s)."""
ROOM_BYTES = 512 * 1024 * 1024
BENCHES = {
    "alert": "ingest.bench.alert",
    "assess": "scheduler.bench.assess",
    "ingest": "ingest.bench.ingest",
    "rounds": "scheduler.bench.rounds",
    "store": "ingest.bench.store",
    "turns": "scheduler.bench.turns",
}
QUIET_STATES = ("connected", "taking the inbox")
"""States of ingest that need nobody."""
PROGRAMS = ("ingest", "scheduler", "dashboard")


def add_commands(commands: Any) -> None:
    """Add `replay`, `check` and `bench`."""
    replay = add_command(
        commands,
        "replay",
        "take a recorded file of messages as if they came from the broker",
        "hourhand replay week-12.jsonl",
    )
    replay.add_argument(
        "file", type=Path, nargs="+", help="JSON lines: received_at, topic, payload"
    )
    data_option(replay)
    replay.set_defaults(run=run_replay)
    check = add_command(commands, "check", "is everything all right?", "hourhand check --json")
    data_option(check)
    json_option(check)
    check.set_defaults(run=run_check)
    bench = add_command(
        commands,
        "bench",
        "measure this machine against a floor of the same run",
        "hourhand bench ingest --messages 20000",
    )
    bench.add_argument("name", choices=sorted(BENCHES))
    bench.add_argument("rest", nargs=argparse.REMAINDER, help="options of the bench itself")
    bench.set_defaults(run=run_bench)


def run_bench(options: argparse.Namespace) -> int:
    """Run a bench as its own program."""
    return run_program([BENCHES[options.name], *options.rest])


def run_replay(options: argparse.Namespace) -> int:
    """Put files into the inbox; ingest takes them, now or when it next runs."""
    missing = [str(file) for file in options.file if not file.is_file()]
    if missing:
        print(f"There is no file {', '.join(missing)}.", file=sys.stderr)
        return 2
    settings = settings_of(options)
    registry = registry_of(settings)
    try:
        make_folder(settings.inbox)
        names = [_into_inbox(file, settings.inbox) for file in options.file]
        if _beats(registry, "ingest", clock.now()):
            _wait_for(registry, names)
        else:
            code = run_program(["ingest", "--data", str(settings.data), "--drain"])
            if code:
                return code
            run_program(["scheduler", "--data", str(settings.data), "--once"])
        return _say_replayed(registry, names)
    finally:
        registry.close()


def _into_inbox(file: Path, inbox: Path) -> str:
    """Copy under a name of its own, complete before it shows."""
    name = f"replay-{clock.now()}-{time.perf_counter_ns() % 10**9:09d}-{file.name}"
    partial = inbox / f".{name}.part"
    shutil.copyfile(file, partial)
    partial.rename(inbox / name)
    return name


def _wait_for(registry: Registry, names: list[str]) -> None:
    from rich.progress import Progress

    with Progress(transient=True) as progress:
        bar = progress.add_task("replaying", total=None)
        while True:
            marks = {m.file: m for m in pages.health(registry, EVERYTHING).inbox if m.file in names}
            if len(marks) == len(names):
                progress.update(
                    bar,
                    completed=sum(m.offset for m in marks.values()),
                    total=sum(m.size for m in marks.values()),
                )
                if all(mark.done for mark in marks.values()):
                    return
            if not _beats(registry, "ingest", clock.now()):
                return
            time.sleep(0.3)


def _say_replayed(registry: Registry, names: list[str]) -> int:
    marks = [m for m in pages.health(registry, EVERYTHING).inbox if m.file in names]
    done = sum(1 for mark in marks if mark.done)
    print(f"{sum(m.lines for m in marks)} messages of {done} of {len(names)} files taken.")
    return 0 if done == len(names) else 1


def _beats(registry: Registry, program: str, now: int) -> bool:
    beat = pages.health(registry, EVERYTHING).heartbeats.get(program)
    return beat is not None and now - beat[0] <= ALIVE_S


def run_check(options: argparse.Namespace) -> int:
    """Say what is wrong, one sentence a line; exit code 1 where anything is."""
    settings = settings_of(options)
    wrong: list[str] = []
    if not settings.data.is_dir():
        wrong.append(f"The data folder {settings.data} does not exist: `hourhand up` makes it.")
    else:
        registry = registry_of(settings)
        try:
            wrong += _service(registry, settings, clock.now())
        finally:
            registry.close()
        wrong += _room(settings)
        wrong += _store(settings)
    if not listens(settings.mqtt_host, settings.mqtt_port, 2.0):
        wrong.append(
            f"No broker answers at {settings.mqtt_host}:{settings.mqtt_port}: start it, "
            "or mend mqtt_host and mqtt_port."
        )
    if options.json:
        print(json.dumps({"ok": not wrong, "wrong": wrong}))
    else:
        for line in wrong or ["All is well."]:
            print(line)
    return 1 if wrong else 0


def _service(registry: Registry, settings: Settings, now: int) -> list[str]:
    wrong: list[str] = []
    health = pages.health(registry, EVERYTHING)
    for program in PROGRAMS:
        beat = health.heartbeats.get(program)
        if beat is None:
            wrong.append(f"{program} has never run on this data: start `hourhand up`.")
        elif now - beat[0] > ALIVE_S:
            wrong.append(
                f"{program} has not been heard for {now - beat[0]} s: start `hourhand up`."
            )
        else:
            wrong += [f"{program} says: {line}" for line in _complaints(beat[1])]
    if health.newest_heard_at is not None and now < health.newest_heard_at - 600:
        wrong.append("This machine's clock is more than 10 min behind the newest receipt: set it.")
    if health.quarantined:
        wrong.append(
            f"{health.quarantined} messages are in quarantine: see Health for the reasons."
        )
    if health.unregistered:
        wrong.append(
            f"{health.unregistered} devices report but are not in the register: see Health."
        )
    if health.devices_ignored:
        wrong.append(f"{health.devices_ignored} further unregistered devices were not taken in.")
    return wrong


def _complaints(doc: dict[str, Any]) -> list[str]:
    """What a program says of itself in its heartbeat, where that is not well."""
    says = [str(line) for line in doc.get("says", ())]
    state = str(doc.get("state", ""))
    return says + ([state] if state and state not in QUIET_STATES else [])


def _room(settings: Settings) -> list[str]:
    free = shutil.disk_usage(settings.data).free
    if free < ROOM_BYTES:
        return [f"Only {free // 2**20} MB are free where {settings.data} lies: make room."]
    return []


def _store(settings: Settings) -> list[str]:
    from fleet.store.opening import open_store

    if settings.store == "embedded" and not settings.store_file.exists():
        return []
    store = open_store(settings, writing=False)
    try:
        return store.check()
    finally:
        store.close()
