"""Ingest as a child process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from brokers import RunningBroker
from places import ROOT

from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.settings import Settings

PATIENCE_S = 120.0


def start(data: Path, broker: RunningBroker, fault: str = "") -> subprocess.Popen[bytes]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("HOURHAND_")}
    environment["HOURHAND_MQTT_PORT"] = str(broker.port)
    if fault:
        environment["HOURHAND_TEST_FAULT"] = fault
    return subprocess.Popen(
        [sys.executable, "-m", "ingest", "--data", str(data)], cwd=ROOT, env=environment
    )


def subscribe_once(data: Path, broker: RunningBroker) -> None:
    """The session must be there before the first message."""
    process = start(data, broker)
    wait_for_beat(data, lambda doc: doc["connected"], process)
    stop(process)


def wait_for_beat(
    data: Path, good: Callable[[dict[str, Any]], object], process: subprocess.Popen[bytes]
) -> None:
    registry = open_registry(Settings(data=data))
    try:
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            assert process.poll() is None, "ingest ended"
            beat = unscoped.heartbeats(registry).get("ingest")
            if beat is not None and good(beat[1]):
                return
            time.sleep(0.2)
        raise AssertionError("no such heartbeat came")
    finally:
        registry.close()


def stop(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGTERM)
    assert process.wait(PATIENCE_S) in (
        0,
        -signal.SIGTERM,
    )  # the latter while it was still starting
