"""`hourhand check`: is everything all right?"""

from __future__ import annotations

import argparse
import json
import shutil
from typing import Any

from fleet import clock
from fleet.model import EVERYTHING
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.settings import Settings
from hourhand.options import add_command, data_option, json_option, registry_of, settings_of
from hourhand.program import SERVICE
from hourhand.supervisor import listens

ALIVE_S = 30
"""A heartbeat older than this is a program that does not run (they beat every 5 s)."""
ROOM_BYTES = 512 * 1024 * 1024
QUIET_STATES = ("connected", "taking the inbox")
"""States of ingest that need nobody."""


def add_commands(commands: Any) -> None:
    """Add `check`."""
    check = add_command(commands, "check", "is everything all right?", "hourhand check --json")
    data_option(check)
    json_option(check)
    check.set_defaults(run=run_check)


def beats(registry: Registry, program: str, now: int) -> bool:
    """Whether a program gave a sign of life lately."""
    beat = lists.health(registry, EVERYTHING).heartbeats.get(program)
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
    health = lists.health(registry, EVERYTHING)
    for program in SERVICE:
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
    from fleet.store import open_store

    if settings.store == "embedded" and not settings.store_file.exists():
        return []
    store = open_store(settings, writing=False)
    try:
        return store.check()
    finally:
        store.close()
