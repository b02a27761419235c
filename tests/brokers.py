"""The broker of the tests: a container where an engine answers, else mosquitto, else the embedded.

`KIND` of a run is one of container, mosquitto, embedded, none. Guarantees (redelivery, sessions)
are only asked of the first two; `needs_guarantees` skips on the embedded one, unless the run
requires mosquitto (HOURHAND_TEST_REQUIRE), where it fails.
"""

from __future__ import annotations

import contextlib
import os
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.bench.broker import Mosquitto, NoMosquitto, free_port

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
    """Where it listens, which it is, and how to end it. restart: with its sessions kept.

    user: a name it must be given; the embedded one keeps sessions for named users only.
    """

    host: str
    port: int
    kind: str
    stop: Callable[[], None]
    restart: Callable[[], None] | None = None
    user: str = ""

    @property
    def keeps_promises(self) -> bool:
        """Whether unacknowledged messages come again and sessions last."""
        return self.kind in ("container", "mosquitto")


def engine_answers() -> bool:
    """Whether a Docker engine can be talked to."""
    if not os.environ.get("DOCKER_HOST") and not Path("/var/run/docker.sock").exists():
        return False
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import docker

            client = docker.from_env(timeout=3)
            try:
                return bool(client.ping())
            finally:
                client.close()
    except Exception:
        return False


@cache
def image() -> str | None:
    """The mosquitto image to use: one under `localhost/`, else the public one, where to be had."""
    if not engine_answers():
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
    if image() is not None:
        return "container"
    with contextlib.suppress(NoMosquitto):
        Mosquitto.program()
        return "mosquitto"
    try:
        import demo_fleet.broker  # noqa: F401
    except ImportError:
        return "none"
    return "embedded"


def header() -> str:
    """A line for the head of the report."""
    words = {
        "container": f"broker: mosquitto in a container ({image()})",
        "mosquitto": "broker: mosquitto of this machine",
        "embedded": "broker: the embedded one; tests of guarantees are skipped",
        "none": "broker: none; tests that need one are skipped",
    }
    return words[which()]


@contextlib.contextmanager
def running_broker(folder: Path) -> Iterator[RunningBroker]:
    """A broker of its own, empty, on loopback; stopped at the end."""
    start = {"container": _container, "mosquitto": _mosquitto, "embedded": _embedded}.get(which())
    if start is None:
        pytest.skip("no broker: install mosquitto")
    broker = start(folder)
    try:
        yield broker
    finally:
        broker.stop()


def needs_guarantees(broker: RunningBroker) -> None:
    """Skip where the broker does not deliver again what was not acknowledged."""
    if broker.keeps_promises:
        return
    message = "only a real mosquitto delivers again what was not acknowledged"
    if "mosquitto" in os.environ.get("HOURHAND_TEST_REQUIRE", ""):
        pytest.fail(message)
    pytest.skip(message)


def _mosquitto(folder: Path) -> RunningBroker:
    broker = Mosquitto(folder)
    broker.start()

    def restart() -> None:
        broker.stop()
        broker.start()

    return RunningBroker(broker.host, broker.port, "mosquitto", broker.stop, restart)


def _embedded(folder: Path) -> RunningBroker:
    from demo_fleet.broker import EmbeddedBroker

    port = free_port()
    broker = EmbeddedBroker(port)
    broker.start()
    return RunningBroker("127.0.0.1", port, "embedded", broker.stop, user="tests")


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
