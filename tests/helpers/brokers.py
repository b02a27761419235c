"""The broker of the tests: a container where an engine answers, else mosquitto, else the embedded.

All three keep the promises ingest relies on (redelivery, sessions, retained messages, wills), so the
same tests run on each.
"""

from __future__ import annotations

import contextlib
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import paho.mqtt.client as mqtt
import parts
from paho.mqtt.enums import CallbackAPIVersion

from demo_fleet.broker import EmbeddedBroker
from ingest.bench.broker import Mosquitto, free_port

IMAGE = "eclipse-mosquitto:2.0.22"
CONTAINER_CONFIGURATION = """\
listener 1883
allow_anonymous true
persistence true
persistence_location /mosquitto/data/
max_queued_messages 200000
max_inflight_messages 4000
"""


@dataclass
class RunningBroker:
    """Where it listens, which it is, how to end it, how to restart it with its sessions kept."""

    host: str
    port: int
    kind: str
    stop: Callable[[], None]
    restart: Callable[[], None] | None = None


@cache
def image() -> str | None:
    """The mosquitto image to use: one under `localhost/`, else the public one, where to be had."""
    if not parts.engine_answers():
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import docker
        from docker.errors import DockerException

        client = docker.from_env(timeout=60)
        try:
            for name in ("localhost/eclipse-mosquitto:2", IMAGE):
                with contextlib.suppress(DockerException):
                    client.images.get(name)
                    return name
            with contextlib.suppress(DockerException):
                client.images.pull(IMAGE)
                return IMAGE
        finally:
            client.close()
    return None


@cache
def which() -> str:
    """The kind of broker this run uses."""
    if "mosquitto" not in parts.HIDDEN and image() is not None:
        return "container"
    return "embedded" if parts.mosquitto_program() is None else "mosquitto"


def header() -> str:
    """A line for the head of the report."""
    words = {
        "container": f"broker: mosquitto in a container ({image()})",
        "mosquitto": "broker: mosquitto of this machine",
        "embedded": "broker: the embedded one; the program mosquitto is not tried",
    }
    return words[which()]


@contextlib.contextmanager
def running_broker(folder: Path, kind: str = "") -> Iterator[RunningBroker]:
    """A broker of its own, empty, on loopback; stopped at the end. kind: not the run's usual."""
    start = {"container": _container, "mosquitto": _mosquitto, "embedded": _embedded}[
        kind or which()
    ]
    broker = start(folder)
    try:
        yield broker
    finally:
        broker.stop()


def _mosquitto(folder: Path) -> RunningBroker:
    broker = Mosquitto(folder)
    broker.start()

    def restart() -> None:
        broker.stop()
        broker.start()

    return RunningBroker(broker.host, broker.port, "mosquitto", broker.stop, restart)


def _embedded(_folder: Path) -> RunningBroker:
    """The demo's broker; started again it knows its sessions."""
    broker = EmbeddedBroker(free_port())
    broker.start()

    def restart() -> None:
        broker.stop()
        broker.start()

    return RunningBroker("127.0.0.1", broker.port, "embedded", broker.stop, restart)


def _container(folder: Path) -> RunningBroker:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from testcontainers.core.container import DockerContainer

        folder.mkdir(parents=True, exist_ok=True)
        (folder / "mosquitto.conf").write_text(CONTAINER_CONFIGURATION, "utf-8")
        folder.chmod(0o755)
        container = DockerContainer(str(image())).with_exposed_ports(1883)
        container.with_volume_mapping(str(folder), "/mosquitto/config", "ro")
        container.start()
        host, port = container.get_container_host_ip(), int(container.get_exposed_port(1883))
    _wait_until_it_answers(host, port)

    def restart() -> None:
        container.get_wrapped_container().restart()
        _wait_until_it_answers(host, port)

    return RunningBroker(host, port, "container", container.stop, restart)


def _wait_until_it_answers(host: str, port: int, within_s: float = 20.0) -> None:
    """A CONNACK, not only an open port: a container's port is open before the broker listens."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        up: list[bool] = []
        client.on_connect = lambda *_, up=up: up.append(True)
        with contextlib.suppress(OSError):
            client.connect(host, port)
            client.loop_start()
            for _ in range(20):
                if up:
                    break
                time.sleep(0.05)
            client.disconnect()
            client.loop_stop()
        if up:
            return
        time.sleep(0.1)
    raise RuntimeError("the broker does not answer")
