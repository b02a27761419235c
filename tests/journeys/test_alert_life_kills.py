"""kill -9 of the scheduler while alerts rise and end: everybody hears of everything, nothing twice.

Broker, ingest, scheduler, mail server and web server are real. In each round two sets fail to start
and one of the round before starts after all, the alert of the other is taken; then the scheduler is
killed: just before or after the alert and its messages are written (they are one transaction), at a
point between claim, delivery and its being written down, or at any moment. HOURHAND_TEST_KILLS of each
kind.
"""

from __future__ import annotations

import os
import random
import signal
import time
from collections import Counter
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa
from brokers import RunningBroker
from cryptography.fernet import Fernet
from posts import MailServer, WebServer, mail_server, web_server
from service import Device, Service, iso, registry_of, wait_for

from fleet import clock
from fleet.model import EVERYTHING, Episode, Notice
from fleet.registry import lists, people
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.people import Actor, Person
from fleet.registry.told import alerts, outbox
from fleet.registry.told.outbox.addresses import read, shown
from scheduler import alarms

KILLS = int(os.environ.get("HOURHAND_TEST_KILLS", "12"))
ANN = Actor("Ann", None, "")
LONG_S = 600.0
OVER = {"returned", "normal"}

pytestmark = pytest.mark.timeout(3000)


def reachable(service: Service, web: WebServer) -> Registry:
    """Ann is told by mail and by a web server."""
    service.data.mkdir(parents=True, exist_ok=True)
    held = registry_of(service.data).get("HOURHAND_REGISTRY_URL")
    registry = open_registry(held or f"sqlite:///{service.data / 'registry.db'}")
    key, now = Fernet.generate_key(), clock.now()
    (service.data / "codes.key").write_bytes(key)
    ann = people.add_person(
        registry, Person(id="", login="ann@example.org", name="Ann", role="technician"), ANN, now
    )
    hook = read(f"json://127.0.0.1:{web.port}/")
    outbox.add_target(registry, ann.id, hook.way, hook.text, shown(hook), key, ANN, now)
    return registry


def say(service: Service, unit: str, event: str) -> None:
    device = Device(service.mqtt_port, unit)
    now = int(time.time())
    device.publish("event", {"at": iso(now), "event": event, "values": {"crank_s": 5}})
    runs = event == "started"
    device.publish(
        "readings",
        [
            {
                "at": iso(now + s),
                "values": {"battery_v": 13.9 if runs else 12.7, "ac_v": 231 * runs},
            }
            for s in (range(0, 121, 30) if runs else [0])
        ],
    )
    device.close()


def episodes(registry: Registry) -> dict[str, Episode]:
    """The failed start of each set; more than one of a set fails."""
    found = [
        e for e in lists.episodes(registry, EVERYTHING, limit=1000) if e.kind == "failed_start"
    ]
    by_unit = {e.subject.removeprefix("unit:"): e for e in found}
    assert len(by_unit) == len(found)
    return by_unit


def take(registry: Registry, unit: str) -> bool:
    """Ann has the alert of a set, if it is there to be taken."""
    episode = episodes(registry).get(unit)
    if episode is None:
        return False
    try:
        step = alarms.acknowledge(episode, "Ann", clock.now())
    except alarms.IllegalStep:
        return False
    return bool(alerts.add_step(registry, step, ANN))


def outcome(registry: Registry) -> dict[str, tuple[str, Notice]]:
    with registry.read() as connection:
        rows = connection.execute(
            sa.select(tables.notice.c.id, tables.notice.c.state, tables.notice.c.doc)
        )
        decode = msgspec.json.Decoder(Notice).decode
        return {row.id: (row.state, decode(row.doc)) for row in rows}


def settled(registry: Registry, units: set[str], started: set[str]) -> bool:
    """All alerts are as the sets are. What rose and ended while nobody looked is history: no alert."""
    found = episodes(registry)
    if not units - started <= set(found) <= units:
        return False
    if any((alarms.state_of(e) in OVER) != (u in started) for u, e in found.items()):
        return False
    return all(state in ("sent", "withdrawn") for state, _ in outcome(registry).values())


def rounds(service: Service, registry: Registry, kills: int, point: str) -> tuple[set[str], ...]:
    """(sets that failed to start, those that started after all, those whose alert was taken)."""
    units: set[str] = set()
    started: set[str] = set()
    taken: set[str] = set()
    for n in range(kills):
        fresh = [f"set-{n}-a", f"set-{n}-b"]
        for unit in fresh:
            say(service, unit, "failed_to_start")
        if n:
            say(service, f"set-{n - 1}-a", "started")
            started.add(f"set-{n - 1}-a")
            taken |= {u for u in (f"set-{n - 1}-b",) if take(registry, u)}
        units |= set(fresh)
        service.start("scheduler", **({"HOURHAND_TEST_FAULT": point} if point else {}))
        process = service.processes.pop("scheduler")
        if not point:
            time.sleep(random.Random(n).uniform(1.0, 4.0))
            process.kill()
        assert process.wait(LONG_S) == -signal.SIGKILL, service.log("scheduler")[-3000:]
    return units, started, taken


def killed(tmp_path: Path, broker: RunningBroker, kills: int, point: str) -> None:
    with mail_server() as post, web_server() as web:
        service = Service(tmp_path / "data", broker.port)
        service.environment = {
            "HOURHAND_SMTP_HOST": "127.0.0.1",
            "HOURHAND_SMTP_PORT": str(post.port),
            "HOURHAND_SMTP_SECURITY": "none",
            "HOURHAND_SMTP_FROM": "duty@example.org",
        }
        registry = reachable(service, web)
        names = [f"set-{n}-{letter}" for n in range(kills) for letter in "ab"]
        service.register(
            *({"unit": u, "device": u, "criticality": "life", "site": u} for u in names)
        )
        try:
            service.start("ingest")
            wait_for(
                "ingest",
                lambda: (
                    service.run("ingest", "--health", "--data", str(service.data)).returncode == 0
                ),
            )
            units, started, taken = rounds(service, registry, kills, point)
            service.start("scheduler")
            wait_for("all of it", lambda: settled(registry, units, started), LONG_S)
            _everybody_heard(registry, post, web, taken)
            _a_restart_tells_nothing_again(service, post, web)
        finally:
            service.stop()
            registry.close()


def _everybody_heard(registry: Registry, post: MailServer, web: WebServer, taken: set[str]) -> None:
    told = outcome(registry)
    arrived = {"email": Counter(post.ids), "webhook": Counter(web.ids)}
    for id, (state, notice) in told.items():
        if state == "sent":
            assert arrived[notice.way][id] >= 1, f"{id} was never delivered"
    assert set().union(*arrived.values()) <= set(told), "a double has the id of its first"
    for unit, episode in episodes(registry).items():
        mine = [(state, one) for state, one in told.values() if one.cause == episode.id]
        raised = [(state, one.way) for state, one in mine if one.step == "1"]
        assert sorted(way for _, way in raised) == ["email", "webhook"], unit
        steps = {(one.step, one.way) for _, one in mine}
        assert len(steps) == len(mine), "a step is told once a way"
        if unit in taken:
            assert [s.kind for s in episode.steps if s.kind == "acknowledged"] == ["acknowledged"]
        over = [one for _, one in mine if one.kind == "cleared"]
        assert bool(over) <= (alarms.state_of(episode) in OVER)
        if all(state == "sent" for state, _ in raised) and alarms.state_of(episode) in OVER:
            assert over, f"{unit}: told that it rose, and not that it is over"


def _a_restart_tells_nothing_again(service: Service, post: MailServer, web: WebServer) -> None:
    before = len(post.ids) + len(web.ids)
    service.kill("scheduler")
    service.start("scheduler")
    time.sleep(6)
    assert len(post.ids) + len(web.ids) == before


def test_killed_once_between_delivery_and_its_record(tmp_path: Path, broker: RunningBroker) -> None:
    killed(tmp_path, broker, 2, "delivered:1")


@pytest.mark.long
@pytest.mark.parametrize(
    "point", ["before_told:1", "told:1", "claimed:1", "delivered:1", "delivered:2", ""]
)
def test_alerts_rise_and_end_through_kills(
    tmp_path: Path, broker: RunningBroker, point: str
) -> None:
    killed(tmp_path, broker, KILLS, point)
