"""The embedded broker, spoken to with a plain client; and the fleet live on it."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import orjson
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from demo_fleet.assembly import build_fleet
from demo_fleet.broker import BrokerFault, EmbeddedBroker, configuration
from demo_fleet.live import go_live

NOW = 1_795_197_000
ROOT = Path(__file__).resolve().parent.parent
WAIT_S = 10.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(true: Callable[[], bool]) -> bool:
    """Whether it came true within WAIT_S."""
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.02)
    return true()


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    """The broker as the demo runs it: a process of its own."""
    chosen = free_port()
    command = [sys.executable, "-m", "demo_fleet", "broker", "--port", str(chosen)]
    process = subprocess.Popen(command, cwd=ROOT)
    assert until(lambda: answers(chosen))
    yield chosen
    process.terminate()
    assert process.wait(WAIT_S) == 0


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Client:
    """A named client that keeps what it is told."""

    def __init__(self, port: int, name: str, topic: str = "", clean: bool = True) -> None:
        self.told: list[mqtt.MQTTMessage] = []
        self.codes: list[int] = []
        self.subscribed = threading.Event()
        self.mqtt = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=clean)
        self.mqtt.username_pw_set(name, "any")
        self.mqtt.on_message = lambda c, u, m: self.told.append(m)
        self.mqtt.on_subscribe = lambda *_: self.subscribed.set()

        def connected(
            client: mqtt.Client, _u: object, _f: object, code: object, _p: object
        ) -> None:
            self.codes.append(int(getattr(code, "value", 0)))
            if topic:
                client.subscribe(topic, qos=1)
            else:
                self.subscribed.set()

        self.mqtt.on_connect = connected
        self.mqtt.connect("127.0.0.1", port)
        self.mqtt.loop_start()
        assert self.subscribed.wait(WAIT_S)

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()


def test_a_message_at_qos_1_arrives(port: int) -> None:
    hearer = Client(port, "hearer", "hourhand/+/+/+")
    teller = Client(port, "teller")
    for n in range(20):
        teller.mqtt.publish("hourhand/coast/b-1/readings", f'{{"n": {n}}}', qos=1)
    assert until(lambda: len(hearer.told) == 20)
    assert [orjson.loads(m.payload)["n"] for m in hearer.told] == list(range(20))
    assert {m.qos for m in hearer.told} == {1}
    hearer.close()
    teller.close()


def test_a_named_users_session_outlives_its_connection(port: int) -> None:
    keeper = Client(port, "keeper", "kept/#", clean=False)
    keeper.close()
    teller = Client(port, "teller-2")
    for n in range(50):
        teller.mqtt.publish("kept/a", str(n), qos=1).wait_for_publish(WAIT_S)
    again = Client(port, "keeper", "kept/#", clean=False)
    assert until(lambda: len(again.told) >= 50)
    assert sorted({int(m.payload) for m in again.told}) == list(range(50))
    again.close()
    teller.close()


def test_a_retained_birth_is_given_to_whoever_comes_later(port: int) -> None:
    device = Client(port, "birth-device")
    device.mqtt.publish(
        "hourhand/coast/b-2/status", b'{"state":"online"}', qos=1, retain=True
    ).wait_for_publish(WAIT_S)
    hearer = Client(port, "late-hearer", "hourhand/coast/b-2/status")
    assert until(lambda: len(hearer.told) > 0), f"{len(hearer.told)} messages"
    assert hearer.told[0].retain
    hearer.close()
    device.close()


def test_a_lost_connection_brings_the_last_will(port: int) -> None:
    hearer = Client(port, "will-hearer", "hourhand/coast/b-3/status")
    device = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="will-device")
    device.username_pw_set("will-device", "any")
    device.will_set("hourhand/coast/b-3/status", b'{"state":"offline"}', qos=1, retain=True)
    device.connect("127.0.0.1", port)
    device.loop_start()
    assert until(device.is_connected)
    device.loop_stop()
    lost = device.socket()
    assert lost is not None
    lost.shutdown(socket.SHUT_RDWR)
    lost.close()
    wanted = ("hourhand/coast/b-3/status", b'{"state":"offline"}')
    assert until(lambda: wanted in [(m.topic, m.payload) for m in hearer.told])
    hearer.close()


def test_nobody_without_a_name(port: int) -> None:
    codes: list[int] = []
    nameless = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="nameless")
    nameless.on_connect = lambda _c, _u, _f, code, _p: codes.append(code.value)
    nameless.connect("127.0.0.1", port)
    nameless.loop_start()
    assert until(lambda: len(codes) > 0)
    assert codes[0] != 0
    nameless.disconnect()
    nameless.loop_stop()


def test_it_listens_on_loopback_only() -> None:
    assert configuration(1)["listeners"]["default"]["bind"] == "127.0.0.1:1"


def test_it_starts_and_stops_within_a_program() -> None:
    broker = EmbeddedBroker(free_port())
    broker.start()
    Client(broker.port, "inside").close()
    broker.stop()
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(("127.0.0.1", broker.port))
    broker.stop()


def test_a_taken_port_is_said(port: int) -> None:
    with pytest.raises(BrokerFault, match=f"{port}.*Give another port"):
        EmbeddedBroker(port).start()


def test_the_fleet_goes_live(port: int, tmp_path: Path) -> None:
    """Births are retained, readings come as of the machine's clock, the silent set stays away."""
    fleet = build_fleet(1, NOW, units=8)
    hearer = Client(port, "ingest-like", "hourhand/+/+/+")
    stopping, memory = threading.Event(), tmp_path / "live.json"
    begun = time.monotonic()

    def fast() -> int:
        """Two hundred seconds pass in one."""
        return NOW + int(200 * (time.monotonic() - begun))

    live = threading.Thread(
        target=go_live, args=(fleet, NOW, ("127.0.0.1", port), fast, stopping, memory)
    )
    live.start()

    def heard(kind: str) -> set[str]:
        return {m.topic.split("/")[2] for m in hearer.told if m.topic.endswith(kind)}

    expected = {s.place.device for s in fleet.sets if s.plays != "silent"}
    assert until(lambda: heard("status") >= expected and heard("readings") >= expected)
    assert until(memory.exists)
    stopping.set()
    live.join(WAIT_S)
    assert not live.is_alive()
    hearer.close()
    assert fleet.sets[2].place.device not in heard("readings") | heard("status")
    late = Client(port, "late-ingest", "hourhand/+/+/status")
    assert until(lambda: {m.topic.split("/")[2] for m in late.told if m.retain} >= expected)
    late.close()
