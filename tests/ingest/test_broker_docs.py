"""docs/broker.md is tried on a real mosquitto: it starts, and the service may publish nothing."""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import parts
import pytest
from places import ROOT

DOCS = ROOT / "docs" / "broker.md"
MOSQUITTO = parts.mosquitto_program()
PASSWD = shutil.which("mosquitto_passwd")


@pytest.fixture(scope="module", autouse=True)
def _the_real_one() -> None:
    parts.need("mosquitto")
    if PASSWD is None:
        parts.skip("mosquitto", "mosquitto_passwd is missing (Debian: apt install mosquitto)")


def blocks() -> list[str]:
    return re.findall(r"^```\n(.*?)^```", DOCS.read_text(), re.DOTALL | re.MULTILINE)


@pytest.fixture
def documented_broker(tmp_path: Path) -> Iterator[int]:
    """mosquitto with the page's configuration and access list, only places and port changed."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    configuration, access = blocks()
    for name in ("hourhand", "set-1"):
        subprocess.run(
            [
                str(PASSWD),
                "-b",
                *(() if (tmp_path / "passwords").exists() else ("-c",)),
                str(tmp_path / "passwords"),
                name,
                "secret",
            ],
            check=True,
            capture_output=True,
        )
    (tmp_path / "access").write_text(access)
    text = (
        configuration.replace("listener 1883", f"listener {port}")
        .replace("/etc/mosquitto/", f"{tmp_path}/")
        .replace("/var/lib/mosquitto/", f"{tmp_path}/")
    )
    (tmp_path / "mosquitto.conf").write_text(f"user root\n{text}")
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(
            [str(MOSQUITTO), "-c", str(tmp_path / "mosquitto.conf")], stdout=log, stderr=log
        )
    for _ in range(100):
        try:
            socket.create_connection(("127.0.0.1", port), 0.2).close()
            break
        except OSError:
            time.sleep(0.05)
    assert process.poll() is None, (tmp_path / "log").read_text()
    yield port
    process.terminate()
    process.wait(120)


def client(port: int, name: str) -> tuple[mqtt.Client, list[str]]:
    seen: list[str] = []
    c = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, f"{name}-test", protocol=mqtt.MQTTv5)
    c.username_pw_set(name, "secret")
    c.on_message = lambda _c, _u, m: seen.append(m.topic)
    c.connect("127.0.0.1", port)
    c.loop_start()
    return c, seen


def refused(c: mqtt.Client, topic: str) -> bool:
    """Whether the broker refuses this publish (MQTT 5 reason code Not authorized, 0x87)."""
    codes: list[int] = []
    c.on_publish = lambda _c, _u, _mid, reason, _p: codes.append(reason.value)
    c.publish(topic, b"{}", qos=1).wait_for_publish(5)
    for _ in range(100):
        if codes:
            return codes[0] == 0x87
        time.sleep(0.02)
    raise AssertionError("the broker never answered")


def test_the_service_reads_all_and_publishes_nothing(documented_broker: int) -> None:
    service, heard = client(documented_broker, "hourhand")
    device, told = client(documented_broker, "set-1")
    service.subscribe("hourhand/#", 1)
    device.subscribe("hourhand/#", 1)
    time.sleep(0.3)
    assert not refused(device, "hourhand/main/set-1/readings")
    assert refused(device, "hourhand/main/set-2/readings")
    for topic in ("hourhand/main/set-1/readings", "hourhand/main/set-1/command", "any/topic"):
        assert refused(service, topic)
    time.sleep(0.3)
    assert heard == ["hourhand/main/set-1/readings"]
    assert told == []
    for c in (service, device):
        c.disconnect()
        c.loop_stop()
