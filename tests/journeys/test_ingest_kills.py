"""Ingest killed again and again under load: none lost, none doubled. Real mosquitto, real kills."""

from __future__ import annotations

import json
import random
import signal
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from brokers import RunningBroker, running_broker
from ingest_program import PATIENCE_S, start, stop, subscribe_once, wait_for_beat

from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.settings import Settings
from fleet.store import open_store
from ingest.bench.broker import publish

DEVICES = 50
BASE_AT = 1_764_000_000
KILLS = 20

pytestmark = [pytest.mark.long, pytest.mark.timeout(600)]


@pytest.fixture
def running(tmp_path: Path) -> Iterator[RunningBroker]:
    with running_broker(tmp_path / "broker") as broker:
        yield broker


def numbered(number: int) -> tuple[str, bytes]:
    """Its own number in a channel of its own second: lost and doubled both show."""
    document = {"at": BASE_AT + number // DEVICES, "values": {"n": number, "battery_v": 12.6}}
    return f"hourhand/main/d{number % DEVICES}/readings", json.dumps(document).encode()


def stored(data: Path) -> tuple[list[int], int]:
    """Numbers in the store in rising order, and how many device-seconds hold them."""
    store = open_store(Settings(data=data), writing=False)
    try:
        found: list[int] = []
        for device in store.devices():
            found += store.read(device, ["n"], 0, 2**33)["n"].v.astype(int).tolist()
        return sorted(found), len(found)
    finally:
        store.close()


def wait_for_all(data: Path, count: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while stored(data)[1] < count:
        assert time.monotonic() < deadline, f"only {stored(data)[1]} of {count} arrived"
        time.sleep(0.5)


def test_killed_20_times_under_50_000_messages(running: RunningBroker, tmp_path: Path) -> None:
    data, count, rate = tmp_path / "data", 50_000, 2_000.0
    subscribe_once(data, running)
    rng = random.Random(20)
    publisher = threading.Thread(
        target=publish, args=(running.port, count, numbered), kwargs={"rate": rate}
    )
    process = start(data, running)
    publisher.start()
    for _ in range(KILLS):
        time.sleep(rng.uniform(0.6, 2.4))  # from before its first message to well under way
        process.kill()
        process.wait()
        process = start(data, running)
    publisher.join()
    wait_for_all(data, count)
    stop(process)
    numbers, rows = stored(data)
    assert numbers == list(range(count))
    assert rows == count
    with open_registry(Settings(data=data)).read() as connection:
        assert connection.exec_driver_sql("select count(*) from quarantine").scalar() == 0


@pytest.mark.parametrize("point", ["before_store", "after_store", "after_pulse", "before_ack"])
def test_killed_20_times_at_a_fault_point(
    running: RunningBroker, tmp_path: Path, point: str
) -> None:
    """Each time a timed message, a timeless one and a failed start are on their way."""
    data = tmp_path / "data"
    subscribe_once(data, running)
    for n in range(KILLS):
        publish(running.port, 4, partial(planted, n))
        process = start(data, running, f"{point}:1")
        assert process.wait(PATIENCE_S) == -signal.SIGKILL
    process = start(data, running)
    wait_for_all(data, KILLS)
    wait_for_beat(data, lambda doc: doc["messages"] >= 1 and doc["queue"] == 0, process)
    stop(process)
    registry, settings = open_registry(Settings(data=data)), Settings(data=data)
    events = unscoped.events(registry, "d0", 0, 2**33)
    assert [e.at for e in events if e.event == "failed_to_start"] == [
        BASE_AT + 60 * n for n in range(KILLS)
    ]
    with registry.read() as connection:
        touched = connection.exec_driver_sql(
            "select day, priority from touch where id = 'd0'"
        ).all()
    assert {day for day, priority in touched if priority} >= {BASE_AT // 86_400}
    assert stored(data)[0] == list(range(KILLS))
    store = open_store(settings, writing=False)
    for n in range(KILLS):  # a device each, since a second holds one value
        timeless = store.read(f"t{n}", ["n2"], 0, 2**33)["n2"]
        assert timeless.v.tolist() == [n], "once each, none doubled"
    crank = store.read("d0", ["crank_min_v"], 0, 2**33)["crank_min_v"]
    assert len(crank) == KILLS
    store.close()
    registry.close()
    pulse = unscoped.device_facts(open_registry(settings))["d0"].pulse
    assert pulse is not None
    assert pulse.newest_at == BASE_AT + 60 * (KILLS - 1)


def planted(turn: int, part: int) -> tuple[str, bytes]:
    """A failed start, a reading, a reading without a time, and one nobody understands."""
    at = BASE_AT + 60 * turn
    if part == 0:
        document: object = {"at": at, "event": "failed_to_start", "values": {"crank_min_v": 9.4}}
        return "hourhand/main/d0/event", json.dumps(document).encode()
    if part == 1:
        return "hourhand/main/d0/readings", json.dumps({"at": at, "values": {"n": turn}}).encode()
    if part == 2:
        return f"hourhand/main/t{turn}/readings", json.dumps({"values": {"n2": turn}}).encode()
    return "hourhand/main/d2/readings", b"{" + str(turn).encode()
