"""The embedded broker, spoken to with a plain client; and the fleet live on it."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson
import paho.mqtt.client as mqtt
import pytest
from mqtt_clients import WAIT_S, WINDOW, Client, broker_process, properties_of, until
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes

from demo_fleet.assembly import build_fleet
from demo_fleet.broker import BrokerFault, EmbeddedBroker
from demo_fleet.live import go_live

NOW = 1_795_197_000


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with broker_process() as chosen:
        yield chosen


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
    device.will_set("hourhand/coast/b-3/status", b'{"state":"offline"}', qos=1, retain=True)
    device.connect("127.0.0.1", port)
    device.loop_start()
    assert until(device.is_connected)
    device.loop_stop()
    lost = device.socket()
    assert isinstance(lost, socket.socket)
    lost.shutdown(socket.SHUT_RDWR)
    lost.close()
    wanted = ("hourhand/coast/b-3/status", b'{"state":"offline"}')
    assert until(lambda: wanted in [(m.topic, m.payload) for m in hearer.told])
    hearer.close()


VERSIONS = pytest.mark.parametrize("version", [mqtt.MQTTv311, mqtt.MQTTv5], ids=["3.1.1", "5"])


@VERSIONS
def test_each_version_is_spoken_with_any_name_or_none(
    port: int, version: MQTTProtocolVersion
) -> None:
    nameless = Client(port, "", "spoken/#", version=version)
    named = Client(port, f"named-{version}", version=version)
    for qos in (0, 1, 2):
        named.mqtt.publish("spoken/x", b"%d" % qos, qos=qos).wait_for_publish(WAIT_S)
    assert until(lambda: len(nameless.told) == 3)
    assert [(m.payload, m.qos) for m in nameless.told] == [(b"0", 0), (b"1", 1), (b"2", 1)]
    nameless.close()
    named.close()


@VERSIONS
def test_what_was_not_acknowledged_comes_again_to_a_session(
    port: int, version: MQTTProtocolVersion
) -> None:
    """Within the window of MQTT 5; over a killed connection; in order; marked as sent before."""
    name = f"owed-{version}"
    taker = Client(port, name, "owed/#", clean=False, version=version, manual=True)
    teller = Client(port, f"{name}-teller")
    for n in range(WINDOW + 2):
        teller.mqtt.publish("owed/x", b"%d" % n, qos=1).wait_for_publish(WAIT_S)
    window = WINDOW if version == mqtt.MQTTv5 else WINDOW + 2
    assert until(lambda: len(taker.told) == window)
    taker.mqtt.ack(taker.told[0].mid, 1)
    assert until(lambda: len(taker.told) == min(window + 1, WINDOW + 2))
    taker.kill()
    again = Client(port, name, "owed/#", clean=False, version=version, manual=True)
    assert again.present == [True]
    assert until(lambda: len(again.told) == min(window, WINDOW + 1))
    assert [int(m.payload) for m in again.told] == list(range(1, 1 + len(again.told)))
    assert all(m.dup for m in again.told)
    for message in list(again.told):
        again.mqtt.ack(message.mid, 1)
    assert until(lambda: int(again.told[-1].payload) == WINDOW + 1)
    again.mqtt.ack(again.told[-1].mid, 1)
    again.close()
    last = Client(port, name, "owed/#", clean=True, version=version)
    assert last.present == [False]
    assert last.told == []
    last.close()
    teller.close()


def test_a_burst_at_qos_0_arrives_whole(port: int) -> None:
    """A reader that keeps up loses nothing; ingest has a bound of its own."""
    hearer, teller = Client(port, "burst", "burst/#"), Client(port, "burst-teller")
    for n in range(20_000):
        teller.mqtt.publish("burst/x", b"%d" % n, qos=0)
        if n % 1_000 == 0:
            teller.mqtt.publish("burst/other", b"-", qos=1).wait_for_publish(WAIT_S)

    def numbers() -> list[int]:
        return [int(m.payload) for m in hearer.told if m.payload != b"-"]

    assert until(lambda: len(numbers()) == 20_000)
    assert numbers() == list(range(20_000))
    hearer.close()
    teller.close()


def test_properties_of_mqtt_5_pass_through(port: int) -> None:
    hearer = Client(port, "with-properties", "props/#", version=mqtt.MQTTv5)
    old = Client(port, "without-properties", "props/#")
    teller = Client(port, "props-teller", version=mqtt.MQTTv5)
    given = properties_of(PacketTypes.PUBLISH)
    given.UserProperty, given.ContentType = ("site", "yard"), "application/json"
    given.MessageExpiryInterval = 600
    teller.mqtt.publish("props/x", b"{}", qos=1, properties=given).wait_for_publish(WAIT_S)
    assert until(lambda: bool(hearer.told and old.told))
    got: Any = hearer.told[0].properties
    assert got is not None
    assert (got.UserProperty, got.ContentType) == ([("site", "yard")], "application/json")
    assert 590 <= got.MessageExpiryInterval <= 600
    assert old.told[0].payload == b"{}"
    for one in (hearer, old, teller):
        one.close()


def test_it_listens_on_one_address_only(port: int) -> None:
    with socket.socket() as probe:
        probe.settimeout(WAIT_S)
        assert probe.connect_ex(("127.0.0.2", port)) != 0


def test_a_taken_port_is_said(port: int) -> None:
    with pytest.raises(BrokerFault, match=f"{port}.*Give another port"):
        EmbeddedBroker(port).start()


def test_a_broker_that_could_not_start_can_once_the_port_is_free() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        broker = EmbeddedBroker(other.getsockname()[1])
        with pytest.raises(BrokerFault):
            broker.start()
        broker.stop()
    broker.start()
    Client(broker.port, "at-last").close()
    broker.stop()


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
