"""Ingest is killed at each of its fault points, and the failed start's alert rises all the same.

One set, one kill: a `failed_to_start` event ends ingest at the point; ingest is started again
without the fault; the scheduler works through what was touched; the episode is open, once.
"""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from brokers import RunningBroker
from service import Device, Service, iso, wait_for

from fleet.model import EVERYTHING
from fleet.registry import lists
from fleet.registry.base.engine import open_registry
from fleet.settings import Settings

KILLS = 20
FAULT_POINTS = ["before_store", "after_store", "after_pulse", "before_ack"]

pytestmark = [pytest.mark.long, pytest.mark.timeout(900)]


@pytest.mark.parametrize("point", FAULT_POINTS)
def test_the_alert_rises_through_kills(tmp_path: Path, broker: RunningBroker, point: str) -> None:
    service = Service(tmp_path / "data", broker.port)
    units = [f"set-{n}" for n in range(KILLS)]
    service.register(*({"unit": unit, "device": unit} for unit in units))
    registry = open_registry(Settings(data=service.data))
    try:
        _session(service)
        for number, unit in enumerate(units):
            _one_kill(service, unit, point, number)
        done = service.run("scheduler", "--data", str(service.data), "--once")
        assert done.returncode == 0, done.stderr
        episodes = lists.episodes(registry, EVERYTHING, limit=1000)
        failed = [e.subject for e in episodes if e.kind == "failed_start"]
        assert sorted(failed) == sorted(f"unit:{unit}" for unit in units)
    finally:
        service.stop()
        registry.close()


def _session(service: Service) -> None:
    """The session must stand before the first message; a reading that is taken proves it."""
    service.start("ingest")
    _taken(service, "set-0", 12.6)
    service.processes["ingest"].terminate()
    service.processes.pop("ingest").wait(120)


def _one_kill(service: Service, unit: str, point: str, number: int) -> None:
    service.start("ingest", HOURHAND_TEST_FAULT=f"{point}:1")
    device = Device(service.mqtt_port, unit)
    at = int(time.time())
    device.publish("event", {"at": iso(at), "event": "failed_to_start", "values": {"crank_s": 5}})
    process = service.processes.pop("ingest")
    assert process.wait(120) == -9, f"kill {number} at {point} did not happen"
    service.start("ingest")
    _heard(service, unit)
    device.close()
    service.processes["ingest"].terminate()
    service.processes.pop("ingest").wait(120)


def _taken(service: Service, unit: str, volts: float) -> None:
    device = Device(service.mqtt_port, unit)

    def look() -> bool:
        device.publish("readings", {"values": {"battery_v": volts}})
        time.sleep(0.3)
        return _newest(service, unit) is not None

    wait_for("the first reading", look)
    device.close()


def _heard(service: Service, unit: str) -> None:
    wait_for(f"the event of {unit}", lambda: _newest(service, unit) is not None)


def _newest(service: Service, unit: str) -> int | None:
    registry = open_registry(Settings(data=service.data))
    try:
        events = lists.events(registry, EVERYTHING, unit, 0, 2**40)
        inputs = lists.inputs(registry, EVERYTHING, unit)
        assert inputs is not None
        heard = [p.heard_at for p in inputs.pulses if p.heard_at is not None]
        return events[-1].at if events else (heard[-1] if heard and unit == "set-0" else None)
    finally:
        registry.close()
