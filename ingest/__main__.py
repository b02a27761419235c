"""`python -m ingest`: from the broker and the inbox into store and registry.

Examples: `python -m ingest --data DIR`, `python -m ingest --data DIR --health`,
`python -m ingest --data DIR --drain`. Exit codes: 0 stopped when asked (or healthy), 1 ended by a
fault (or not healthy), 2 the settings are wrong or another ingest has the folder.
"""

from __future__ import annotations

import argparse
import fcntl
import logging
import os
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from fleet import clock
from fleet.ending import Ending, Fault, fault_from
from fleet.past import refuse_replayed
from fleet.private import make_file, make_folder
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.retry import open_when_up
from fleet.settings import Settings, SettingsFault, load, own
from fleet.store import open_store
from fleet.store.port import Store, StoreFault
from ingest.broker import Broker
from ingest.cache import Cache
from ingest.collector import Collector, beat, settle
from ingest.inbox import Inbox
from ingest.link import Link

BEAT_EVERY_S = 5.0
LOOK_EVERY_S = 0.5
"""Between two signs of life, and between two looks at whether to stop. A pace of ours."""
HEALTHY_FOR_S = 20
"""A heartbeat older than four of its periods: the program hangs or is gone. A pace of ours."""

_log = logging.getLogger("ingest")


class Locked(Exception):
    """Another ingest has the data folder."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run, drain or ask after ingest; returns the exit code."""
    asked = _parser().parse_args(arguments)
    try:
        settings = load(asked.data, os.environ)
        logging.basicConfig(
            level=settings.log_level.upper(), format="%(asctime)s ingest %(levelname)s %(message)s"
        )
        logging.getLogger("alembic").setLevel(logging.WARNING)
        own(settings.data)
        if asked.health:
            return health(settings)
        refuse_replayed(settings.data)
        with lock(settings.locks / "ingest.lock"):
            return drain(settings) if asked.drain else run(settings, fault_from(os.environ))
    except (SettingsFault, Locked) as fault:
        print(f"ingest: {fault}", file=sys.stderr)
        return 2
    except (StoreFault, RegistryFault) as fault:
        print(f"ingest: {fault}", file=sys.stderr)
        return 1


def run(settings: Settings, fault: Fault) -> int:
    """Collect until SIGTERM or SIGINT, or until a thread dies."""
    stopping = Ending()
    _stop_on_signals(stopping)
    waited = open_when_up(settings, stopping, _log.warning)
    if waited is None:
        return 0
    with opened(settings, waited) as (store, registry):
        cache, inbox = parts(settings, registry)
        link = Link(broker_of(settings))
        collector = Collector(store, registry, cache, inbox, link, fault=fault)
        settle()
        link.start()
        collector.start()
        code = _watch(stopping, link, collector, registry)
        collector.stop()
        link.close()
        beat(registry, clock.now(), {**collector.report(), "state": "stopped", "stopped": True})
    return code


def drain(settings: Settings) -> int:
    """Take what is in the inbox, then stop."""
    stopping = Ending()
    _stop_on_signals(stopping)
    with opened(settings) as (store, registry):
        cache, inbox = parts(settings, registry)
        collector = Collector(store, registry, cache, inbox, None)
        collector.stopping = stopping
        taken = collector.drain()
    print(
        f"taken from the inbox: {taken.messages} messages, {taken.readings} readings, "
        f"{taken.events} events; {taken.quarantined} set aside"
    )
    return 0


def health(settings: Settings) -> int:
    """Say in a sentence whether ingest is well. 0: well; 1: not."""
    registry = open_registry(settings)
    try:
        at, doc = unscoped.heartbeats(registry).get("ingest", (0, {}))
    finally:
        registry.close()
    age = clock.now() - at
    if not at:
        well, sentence = False, "ingest has never run with this data folder"
    elif doc.get("stopped"):
        well, sentence = False, f"ingest was stopped {age} s ago"
    elif age > HEALTHY_FOR_S:
        well, sentence = False, f"ingest gave its last sign of life {age} s ago"
    else:
        well = bool(doc.get("connected")) and not doc.get("oldest_unacknowledged_s", 0) > 60
        sentence = f"ingest: {doc.get('state', 'no word of its state')}"
    print(sentence)
    return 0 if well else 1


@contextmanager
def opened(
    settings: Settings, registry: Registry | None = None
) -> Iterator[tuple[Store, Registry]]:
    """Store for writing and registry (opened now where not given), closed at the end."""
    make_folder(settings.data)
    registry = registry if registry is not None else open_registry(settings)
    try:
        store = open_store(settings, writing=True)
        try:
            yield store, registry
        finally:
            store.close()
    finally:
        registry.close()


def parts(settings: Settings, registry: Registry) -> tuple[Cache, Inbox]:
    """Cache and inbox of a data folder, in their places."""
    make_folder(settings.inbox)
    cache = Cache(settings.data / "profiles")
    cache.refresh(registry)
    return cache, Inbox(settings.inbox, unscoped.inbox_marks(registry))


def broker_of(settings: Settings) -> Broker:
    """Where the settings say the broker is."""
    return Broker(
        host=settings.mqtt_host,
        port=settings.mqtt_port,
        user=settings.mqtt_user,
        password=settings.mqtt_password,
        tls=settings.mqtt_tls,
        ca_file=settings.mqtt_ca_file,
        topics=settings.topics,
        client_id=settings.mqtt_client_id,
        protocol=settings.mqtt_protocol,
        receive_maximum=settings.mqtt_receive_maximum,
        keepalive_s=settings.mqtt_keepalive_s,
        session_s=settings.mqtt_session_days * 86_400,
    )


@contextmanager
def lock(path: Path) -> Iterator[None]:
    """Hold the lock file; the system lets go of it when the process ends, however it ends."""
    make_folder(path.parent)
    make_file(path)
    with path.open("a") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise Locked(
                "another ingest has this data folder (it takes the inbox too); stop it first"
            ) from None
        yield


def _watch(stopping: threading.Event, link: Link, collector: Collector, registry: Registry) -> int:
    """Heartbeats until asked to stop, at once when the state changes; 1 when a thread died."""
    looks, told = 0, ""
    while not stopping.is_set():
        if not link.alive or not collector.alive:
            _log.critical("the %s thread died", "writer" if link.alive else "network")
            return 1
        report = collector.report()
        if looks % int(BEAT_EVERY_S / LOOK_EVERY_S) == 0 or report["state"] != told:
            beat(registry, clock.now(), report)
            told = report["state"]
        looks += 1
        stopping.wait(LOOK_EVERY_S)
    return 0


def _stop_on_signals(stopping: threading.Event) -> None:
    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m ingest",
        description="Take messages from the broker and the inbox into store and registry.",
        epilog="example: python -m ingest --data hourhand-data",
    )
    parser.add_argument("--data", type=Path, help="data folder (default: HOURHAND_DATA)")
    what: Any = parser.add_mutually_exclusive_group()
    what.add_argument("--health", action="store_true", help="say whether it is well, and exit")
    what.add_argument("--drain", action="store_true", help="take the inbox, then stop")
    return parser


if __name__ == "__main__":
    sys.exit(main())
