"""kill -9 of the scheduler while messages wait, leave and arrive: none lost, doubles known by their id.

The process, the mail server and the web server are real. Killed at the points between claim, delivery
and its being written down, and at any moment. (Between alert and notice there is no point: they are
one transaction, see test_alert_kills.)
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa
from cryptography.fernet import Fernet
from posts import MailServer, WebServer, mail_server, web_server
from service import wait_for

from fleet import clock
from fleet.model import DeliveryMethod, Notice
from fleet.registry import people
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.people import Actor, Person
from fleet.registry.told import outbox
from fleet.registry.told.outbox import put_notices
from fleet.registry.told.outbox.addresses import read, shown

ANN = Actor("Ann", None, "")
LONG_S = 180.0
POINTS = ("claimed", "delivered")
KILLS = int(os.environ.get("HOURHAND_TEST_KILLS", "12"))
"""Of each kind in the long tier."""


def start(data: Path, post: MailServer, kill_at: str = "") -> subprocess.Popen[bytes]:
    environment = {
        **os.environ,
        "HOURHAND_SMTP_HOST": "127.0.0.1",
        "HOURHAND_SMTP_PORT": str(post.port),
        "HOURHAND_SMTP_SECURITY": "none",
        "HOURHAND_SMTP_FROM": "duty@example.org",
        "HOURHAND_FIRM": "Harrow",
    }
    if kill_at:
        environment["HOURHAND_TEST_FAULT"] = kill_at
    with (data / "said").open("ab") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "scheduler", "--data", data],
            env=environment,
            stdout=out,
            stderr=out,
        )


def prepared(data: Path, web: WebServer) -> tuple[Registry, str]:
    data.mkdir()
    registry = open_registry(f"sqlite:///{data / 'registry.db'}")
    key = Fernet.generate_key()
    (data / "codes.key").write_bytes(key)
    person = Person(id="", login="ann@example.org", name="Ann", role="technician")
    now = clock.now()
    ann = people.add_person(registry, person, ANN, now, people.hash_password("four plain words"))
    address = read(f"json://127.0.0.1:{web.port}/")
    outbox.add_target(registry, ann.id, address.way, address.text, shown(address), key, ANN, now)
    return registry, ann.id


def put(registry: Registry, person: str, numbers: range) -> list[str]:
    """Two notices of each number: by mail and to the web server. Their ids."""
    now = clock.now()
    ways: tuple[DeliveryMethod, ...] = ("email", "webhook")
    made = [
        Notice(
            id=f"n{n:04d}-{way}",
            cause=f"e{n}",
            step="1",
            person=person,
            way=way,
            kind="alert",
            subject=f"Act now {n}",
            body="Would not start.",
            made_at=now,
            not_before=now,
        )
        for n in numbers
        for way in ways
    ]
    put_notices(registry, made, now)
    return [one.id for one in made]


def settled(registry: Registry, ids: list[str]) -> bool:
    with registry.read() as connection:
        rows = connection.execute(
            sa.select(tables.notice.c.state).where(tables.notice.c.id.in_(ids))
        )
        return all(row.state == "sent" for row in rows)


def killed(
    data: Path, rounds: int, how: Callable[[int, subprocess.Popen[bytes]], None], kill_at: str
) -> None:
    with mail_server() as post, web_server() as web:
        registry, ann = prepared(data, web)
        ids: list[str] = []
        for n in range(rounds):
            ids += put(registry, ann, range(n * 4, n * 4 + 4))
            running = start(data, post, kill_at)
            how(n, running)
            assert running.wait(LONG_S) == -signal.SIGKILL, (data / "said").read_text()
        last = start(data, post)
        try:
            wait_for("every message", lambda: settled(registry, ids), LONG_S)
        finally:
            last.terminate()
            last.wait(LONG_S)
        got = Counter([*post.ids, *web.ids])
        ours = {id for id in got if id.startswith("n0")}
        assert ours == set(ids), "each came at least once, and nothing else did"
        assert not [id for id in got if id not in ids and not id.startswith("n")]
        before = got.total()
        again = start(data, post)
        time.sleep(3)
        again.terminate()
        again.wait(LONG_S)
        assert len(post.ids) + len(web.ids) == before, "a restart sends nothing again"
        registry.close()


def at_point(n: int, running: subprocess.Popen[bytes]) -> None:
    """It kills itself there."""


def at_random(n: int, running: subprocess.Popen[bytes]) -> None:
    time.sleep(random.Random(n).uniform(0.5, 2.5))
    running.kill()


@pytest.mark.parametrize("point", POINTS)
def test_killed_at_a_point_nothing_is_lost(tmp_path: Path, point: str) -> None:
    killed(tmp_path / "data", 1, at_point, f"{point}:1")


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("point", POINTS)
def test_killed_many_times_at_a_point_nothing_is_lost(tmp_path: Path, point: str) -> None:
    killed(tmp_path / "data", KILLS, at_point, f"{point}:1")


@pytest.mark.long
@pytest.mark.timeout(900)
def test_killed_many_times_at_any_moment_nothing_is_lost(tmp_path: Path) -> None:
    killed(tmp_path / "data", KILLS, at_random, "")


def test_a_claim_of_a_sender_before_is_taken_over_at_once(tmp_path: Path) -> None:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    now = clock.now()
    told = Notice(
        id="n1",
        cause="e1",
        step="1",
        person="ann",
        way="email",
        kind="alert",
        subject="s",
        body="b",
        made_at=now,
        not_before=now,
    )
    put_notices(registry, [told], now)
    assert len(outbox.claim(registry, now, "email", 5)) == 1
    assert outbox.claim(registry, now + 1, "email", 5) == []
    assert outbox.release(registry, now + 1) == 1
    (again,) = outbox.claim(registry, now + 1, "email", 5)
    assert again.notice == told
    assert msgspec.structs.asdict(again)["tries"] == 1
    registry.close()
