"""Ingest against a real broker: nothing lost, nothing acknowledged too early, never deaf.

Each of the traps measured before (docs of paho-mqtt 2 and mosquitto) is a test here.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import parts
import pytest
from brokers import RunningBroker, running_broker, which
from mqtt_clients import properties_of
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from places import ROOT

from fleet import clock
from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.settings import Settings
from fleet.store import open_store
from fleet.store.port import StoreDown
from ingest import __main__ as program
from ingest.bench.broker import free_port, mosquitto, publish
from ingest.broker import Broker
from ingest.buffered import BufferedClient, BufferedSocket
from ingest.cache import Cache
from ingest.collector import Collector
from ingest.inbox import Inbox
from ingest.link import QOS_0_WAITING_AT_MOST, Link

PATIENCE_S = 30.0


@pytest.fixture(params=sorted({which(), "embedded"}, reverse=True))
def running(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[RunningBroker]:
    """The broker of this run, and the embedded one: every promise is asked of both."""
    with running_broker(tmp_path / "broker", request.param) as broker:
        yield broker


def until(what: str, look: Callable[[], Any]) -> None:
    """Wait for something; no test asserts on how long it took."""
    deadline = time.monotonic() + PATIENCE_S
    while not look():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited in vain for: {what}")
        time.sleep(0.01)


class Gate:
    """A store that can be shut, or made slow."""

    def __init__(self, store: Any) -> None:
        self._store = store
        self.shut = False
        self.slow_s = 0.0
        self.tries = 0

    def write(self, readings: Any) -> Any:
        self.tries += 1
        if self.shut:
            raise StoreDown("the disk is full")
        time.sleep(self.slow_s)
        return self._store.write(readings)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


class Ingest:
    """A whole ingest in this process."""

    def __init__(self, data: Path, broker: RunningBroker, **more: Any) -> None:
        self.settings = Settings(data=data)
        data.mkdir(exist_ok=True)
        self.registry = open_registry(self.settings)
        self.store = open_store(self.settings, writing=True)
        self.gate = Gate(self.store)
        self.link = Link(Broker(host=broker.host, port=broker.port, client_id="t", **more))
        inbox = Inbox(self.settings.inbox, unscoped.inbox_marks(self.registry))
        self.collector = Collector(
            self.gate, self.registry, Cache(data / "profiles"), inbox, self.link
        )

    def start(self) -> None:
        self.collector.start()
        self.link.start()
        until("the connection", lambda: self.link.connected)
        until("the subscription", lambda: self.link.subscribed)

    def close(self) -> None:
        self.collector.stop()
        self.link.close()
        self.store.close()
        self.registry.close()

    @property
    def messages(self) -> int:
        return self.collector.total.messages

    def seqs(self) -> list[int]:
        """Numbers that were stored, of all devices."""
        found: list[int] = []
        for device in self.store.devices():
            found += self.store.read(device, ["n"], 0, 2**33)["n"].v.astype(int).tolist()
        return sorted(found)


@contextlib.contextmanager
def ingest(data: Path, broker: RunningBroker, **more: Any) -> Iterator[Ingest]:
    whole = Ingest(data, broker, **more)
    try:
        whole.start()
        yield whole
    finally:
        whole.close()


def numbered(number: int) -> tuple[str, bytes]:
    """A message that carries its own number, as an unknown channel and in its time."""
    at = clock.now() - 100_000 + number
    document = {"at": at, "values": {"n": number, "battery_v": 12.6}}
    return f"hourhand/main/g{number % 7}/readings", json.dumps(document).encode()


@contextlib.contextmanager
def plain_client(broker: RunningBroker, name: str = "device", **more: Any) -> Iterator[mqtt.Client]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, name, **more)
    up = threading.Event()
    client.on_connect = lambda *_: up.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert up.wait(PATIENCE_S)
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def subscribed_link(running: RunningBroker, name: str, **more: Any) -> Link:
    link = Link(Broker(host=running.host, port=running.port, client_id=name, **more))
    link.start()
    until("the subscription", lambda: link.subscribed)
    return link


def test_messages_are_stored_and_acknowledged(running: RunningBroker, tmp_path: Path) -> None:
    with ingest(tmp_path / "data", running) as whole:
        publish(running.port, 300, numbered)
        until("300 messages", lambda: whole.messages >= 300)
        assert whole.link.protocol == "5"
        assert whole.seqs() == list(range(300))
        report = whole.collector.report()
        assert (report["connected"], report["state"], report["written"]) == (True, "connected", 300)
    with ingest(tmp_path / "data", running) as again:
        publish(running.port, 1, lambda _: numbered(300))
        until("one message", lambda: again.messages >= 1)
        assert again.messages == 1  # everything else was acknowledged
        assert again.link.sessions_lost == 0


def test_what_came_while_we_were_away_is_delivered(running: RunningBroker, tmp_path: Path) -> None:
    with ingest(tmp_path / "data", running):
        pass
    publish(running.port, 1_500, numbered)  # more than mosquitto's default queue of 1,000
    with ingest(tmp_path / "data", running) as whole:
        until("1500 messages", lambda: whole.messages >= 1_500)
        assert whole.seqs() == list(range(1_500))


def test_while_the_store_is_down_nothing_is_acknowledged(
    running: RunningBroker, tmp_path: Path
) -> None:
    """The window bounds what is held; the state says so; afterwards everything is there once."""
    with ingest(tmp_path / "data", running, receive_maximum=20) as whole:
        whole.gate.shut = True
        publish(running.port, 100, numbered)
        until("two tries", lambda: whole.gate.tries >= 2)
        report = whole.collector.report()
        assert "not acknowledged: the disk is full" in report["state"]
        assert whole.messages == 0
        assert len(whole.link.arrived) <= 20
        whole.gate.shut = False
        until("100 messages", lambda: whole.messages >= 100)
        assert whole.seqs() == list(range(100))
        assert whole.collector.report()["state"] == "connected"


def test_stopped_while_the_store_is_down_everything_comes_again(
    running: RunningBroker, tmp_path: Path
) -> None:
    with ingest(tmp_path / "data", running) as whole:
        whole.gate.shut = True
        publish(running.port, 50, numbered)
        until("a try", lambda: whole.gate.tries >= 1)
    with ingest(tmp_path / "data", running) as again:
        until("50 messages", lambda: again.messages >= 50)
        assert again.seqs() == list(range(50))


def test_a_poison_message_is_parked_and_acknowledged(
    running: RunningBroker, tmp_path: Path
) -> None:
    with ingest(tmp_path / "data", running) as whole:
        publish(
            running.port,
            5,
            lambda n: ("hourhand/main/g0/readings", b"\xff{") if n == 2 else numbered(n),
        )
        until("5 messages", lambda: whole.messages >= 5)
        assert whole.seqs() == [0, 1, 3, 4]
        assert whole.collector.total.quarantined == 1
    with ingest(tmp_path / "data", running) as again:
        publish(running.port, 1, lambda _: numbered(9))
        until("one message", lambda: again.messages >= 1)
        assert again.messages == 1


def test_an_old_acknowledgement_is_not_sent_on_a_new_connection(running: RunningBroker) -> None:
    """Ten messages taken on the first connection; the session is lost; ten others come by the
    second with the same packet numbers. The old acknowledgements must not touch them."""
    link = subscribed_link(running, "stale")
    publish(running.port, 10, numbered)
    until("ten messages", lambda: len(link.arrived) == 10)
    old = [(a.generation, a.number) for a in link.arrived]
    link.arrived.clear()
    with plain_client(running, "stale", clean_session=True):  # takes over, and clears the session
        until("the loss", lambda: not link.connected)
    until("the connection", lambda: link.connected and link.generation > old[0][0])
    until("the subscription", lambda: link.subscribed)
    assert link.sessions_lost == 2  # the first start, and now
    publish(running.port, 10, lambda n: numbered(100 + n))
    until("ten others", lambda: len(link.arrived) == 10)
    assert {a.number for a in link.arrived} == {number for _, number in old}
    for generation, number in old:
        link.acknowledge(generation, [number])
    link.close()
    again = subscribed_link(running, "stale")
    until("the ten others again", lambda: len(again.arrived) == 10)
    assert all(a.message.dup for a in again.arrived)
    again.close()


def test_unacknowledged_messages_come_again_after_a_reconnect(running: RunningBroker) -> None:
    link = subscribed_link(running, "again", receive_maximum=5)
    publish(running.port, 8, numbered)
    until("a window full", lambda: len(link.arrived) == 5)
    first = [a.message.payload for a in link.arrived]
    link.close()
    again = subscribed_link(running, "again", receive_maximum=5)
    until("the same again", lambda: len(again.arrived) == 5)
    assert [a.message.payload for a in again.arrived] == first
    again.acknowledge(again.generation, [a.number for a in again.arrived])
    until("the rest", lambda: len(again.arrived) == 8)
    again.close()


def test_a_broker_that_restarts_is_found_again(running: RunningBroker, tmp_path: Path) -> None:
    assert running.restart is not None
    with ingest(tmp_path / "data", running) as whole:
        publish(running.port, 20, numbered)
        until("20 messages", lambda: whole.messages >= 20)
        running.restart()
        publish(running.port, 20, lambda n: numbered(20 + n))
        until("40 messages", lambda: len(whole.seqs()) >= 40)
        assert whole.seqs() == list(range(40))


def test_a_broker_that_is_not_there_yet_is_waited_for(tmp_path: Path) -> None:
    parts.need("mosquitto")
    nowhere = RunningBroker("127.0.0.1", free_port(), "none", lambda: None)
    whole = Ingest(tmp_path / "data", nowhere)
    whole.collector.start()
    whole.link.start()
    until("a sentence", lambda: "cannot be reached" in whole.collector.report()["state"])
    until("another try", lambda: whole.link.generation >= 2)
    with mosquitto(tmp_path / "late", f"listener {nowhere.port} 127.0.0.1\n"):
        until("the connection", lambda: whole.link.connected)
        assert whole.link.protocol == "5"  # not reached is no reason to try an older version
        whole.close()


def only_3_1_1(client: socket.socket, broker: RunningBroker, silent: bool) -> None:
    """One connection to a broker that knows no MQTT 5: refused at once, or never answered."""
    with client, socket.create_connection((broker.host, broker.port)) as beyond:
        connect = client.recv(65_536)
        if connect[8] == 5 and not silent:
            client.sendall(b"\x20\x02\x00\x01")  # 3.1.1's CONNACK: unacceptable version
            return
        if connect[8] == 4:
            beyond.sendall(connect)
        while True:
            ready, _, _ = select.select([client, beyond], [], [])
            for side in ready:
                data = side.recv(65_536)
                if not data:
                    return
                if connect[8] == 4:
                    (beyond if side is client else client).sendall(data)


@contextlib.contextmanager
def old_broker(broker: RunningBroker, silent: bool) -> Iterator[RunningBroker]:
    """The broker of this run behind something that lets MQTT 3.1.1 through and nothing newer."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        served: list[threading.Thread] = []

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    client, _ = door.accept()
                    served.append(
                        threading.Thread(target=only_3_1_1, args=(client, broker, silent))
                    )
                    served[-1].start()

        thread = threading.Thread(target=serve)
        thread.start()
        yield RunningBroker("127.0.0.1", door.getsockname()[1], "old", broker.stop)
        door.shutdown(socket.SHUT_RDWR)
        thread.join()
        for one in served:
            one.join()


@pytest.mark.parametrize("silent", [False, True], ids=["refuses", "says nothing"])
def test_mqtt_3_1_1_where_the_broker_speaks_no_5(
    running: RunningBroker, tmp_path: Path, silent: bool
) -> None:
    with old_broker(running, silent) as where, ingest(tmp_path / "data", where) as whole:
        assert whole.link.protocol == "3.1.1"
        publish(running.port, 5, numbered)
        until("5 messages", lambda: whole.messages >= 5)
        assert whole.seqs() == list(range(5))


def test_another_program_with_our_client_id_is_named(
    running: RunningBroker, tmp_path: Path
) -> None:
    with ingest(tmp_path / "data", running) as whole, plain_client(running, "t"):
        until("the sentence", lambda: "client id t" in whole.link.state)
        assert whole.link.alive


def test_a_subscription_is_made_again_where_the_session_was_lost(
    running: RunningBroker, tmp_path: Path
) -> None:
    with ingest(tmp_path / "data", running) as whole:
        lost = whole.link.sessions_lost
        with plain_client(running, "t", clean_session=True):
            until("the loss", lambda: not whole.link.connected)
        until("the subscription", lambda: whole.link.connected and whole.link.subscribed)
        assert whole.link.sessions_lost == lost + 1
        publish(running.port, 3, numbered)
        until("3 messages", lambda: whole.messages >= 3)


def test_a_session_without_its_subscription_is_not_deaf(
    running: RunningBroker, tmp_path: Path
) -> None:
    """Killed between CONNECT and SUBSCRIBE, the broker has our session and sends nothing."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "t", protocol=mqtt.MQTTv5)
    properties = properties_of(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3_600
    up = threading.Event()
    client.on_connect = lambda *_: up.set()
    client.connect(running.host, running.port, clean_start=False, properties=properties)
    client.loop_start()
    assert up.wait(PATIENCE_S)
    client.disconnect()
    client.loop_stop()
    with ingest(tmp_path / "data", running) as whole:
        assert whole.link.sessions_lost == 0
        publish(running.port, 3, numbered)
        until("3 messages", lambda: whole.messages >= 3)


def test_qos_0_is_taken_and_bounded(running: RunningBroker) -> None:
    link = subscribed_link(running, "zero")
    over = 40
    with plain_client(running) as device:
        for n in range(QOS_0_WAITING_AT_MOST + over):
            device.publish("hourhand/main/g0/readings", b"%d" % n, qos=0)
            if n % 500 == 0:
                device.publish("hourhand/main/g0/event", b"x", qos=1).wait_for_publish(PATIENCE_S)
        device.publish("hourhand/main/g0/status", b"last", qos=1).wait_for_publish(PATIENCE_S)
    until("the last", lambda: link.arrived and link.arrived[-1].message.payload == b"last")
    zero = sum(a.message.qos == 0 for a in link.arrived)
    assert zero == QOS_0_WAITING_AT_MOST
    assert link.qos_0_dropped == over
    link.close()


def test_a_retained_reading_makes_no_dead_sender_look_alive(
    running: RunningBroker, tmp_path: Path
) -> None:
    """Field case 20 on a real broker."""
    topic, payload = numbered(0)
    with plain_client(running) as device:
        device.publish(topic, payload, qos=1, retain=True).wait_for_publish(PATIENCE_S)
    with ingest(tmp_path / "data", running) as whole:
        until("the retained message", lambda: whole.messages >= 1)
        assert whole.collector.total.readings == 0
        pulse = unscoped.device_facts(whole.registry)["g0"].pulse
        assert pulse is not None
        assert (pulse.heard_at, pulse.newest_at) == (None, None)
        assert pulse.latest["battery_v"].value == 12.6


def test_a_network_thread_that_dies_ends_the_program(
    running: RunningBroker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An exception in a callback ends paho's loop while `is_connected()` stays true."""

    def fails(*_: Any) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(Link, "_on_message", fails)
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    whole = Ingest(tmp_path / "data", running)
    whole.start()
    with plain_client(running) as device:
        device.publish(*numbered(0), qos=1)
        assert program._watch(threading.Event(), whole.link, whole.collector, whole.registry) == 1
    assert not whole.link.alive
    whole.close()


@pytest.mark.long
def test_a_slow_store_does_not_cost_the_connection(running: RunningBroker, tmp_path: Path) -> None:
    """Nine seconds in one write with a keepalive of five: the network thread goes on."""
    with ingest(tmp_path / "data", running, keepalive_s=5) as whole:
        whole.gate.slow_s = 9.0
        publish(running.port, 10, numbered)
        until("the write", lambda: whole.messages >= 1)
        assert whole.link.generation == 1
        assert whole.link.connected


# ---- the socket


def test_the_socket_reads_ahead_and_sends_in_bursts() -> None:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    buffered = BufferedSocket(ours)
    with pytest.raises(BlockingIOError):
        buffered.recv(1)
    theirs.sendall(b"abcdef")
    assert (buffered.recv(1), buffered.recv(2), buffered.pending()) == (b"a", b"bc", 3)
    assert buffered.recv(9) == b"def"
    assert buffered.send(b"x" * 10) == 10
    assert buffered.unsent == 10
    with pytest.raises(BlockingIOError):
        theirs.recv(1, socket.MSG_DONTWAIT)
    buffered.flush()
    assert (theirs.recv(99), buffered.unsent) == (b"x" * 10, 0)
    buffered.send(b"y" * 9_000_000)  # more than the system takes at once
    buffered.flush()
    left = buffered.unsent
    assert left > 0
    while left:
        theirs.recv(1 << 20)
        buffered.flush()
        left = buffered.unsent
    buffered.send(b"bye")
    buffered.close()
    rest = b""
    while chunk := theirs.recv(1 << 20):
        rest += chunk
    assert rest.endswith(b"ybye")
    theirs.close()


def test_paho_uses_our_socket(running: RunningBroker) -> None:
    """`_create_socket` is not documented; were it renamed, only the rate would suffer."""
    client = BufferedClient(CallbackAPIVersion.VERSION2, "socket")
    client.connect(running.host, running.port)
    opened = client.socket()
    assert isinstance(opened, BufferedSocket)
    opened.close()


def test_over_tls(tmp_path: Path) -> None:
    parts.need("mosquitto")
    parts.need("openssl")
    folder = tmp_path / "broker"
    folder.mkdir()
    subprocess.run(
        [
            "openssl",
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "2",
            "-subj",
            "/CN=127.0.0.1",
            "-addext",
            "subjectAltName=IP:127.0.0.1",
            "-keyout",
            folder / "key.pem",
            "-out",
            folder / "cert.pem",
        ],
        check=True,
        capture_output=True,
    )
    port = free_port()
    extra = f"listener {port} 127.0.0.1\nallow_anonymous true\ncertfile {folder}/cert.pem\nkeyfile {folder}/key.pem\n"
    with mosquitto(folder, extra) as plain:
        where = RunningBroker("127.0.0.1", port, "mosquitto", plain.stop)
        with ingest(tmp_path / "data", where, tls=True, ca_file=str(folder / "cert.pem")) as whole:
            publish(plain.port, 3_000, numbered)
            until("3000 messages", lambda: whole.messages >= 3_000)
            assert whole.seqs() == list(range(3_000))
        with ingest(tmp_path / "data", where, tls=True, ca_file=str(folder / "cert.pem")) as again:
            publish(plain.port, 1, lambda _: numbered(3_000))
            until("one message", lambda: again.messages >= 1)
            assert again.messages == 1  # the acknowledgements went out too


# ---- the program


@contextlib.contextmanager
def start_program(data: Path, port: int, *more: str) -> Iterator[subprocess.Popen[str]]:
    """`python -m ingest` for as long as the block lasts; it is ended where the block did not."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("HOURHAND_")}
    environment["HOURHAND_MQTT_PORT"] = str(port)
    with subprocess.Popen(
        [sys.executable, "-m", "ingest", "--data", str(data), *more],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as program:
        try:
            yield program
        finally:
            if program.poll() is None:
                program.kill()


def ask(data: Path, port: int, *more: str) -> tuple[int, str]:
    with start_program(data, port, *more) as program:
        out, err = program.communicate(timeout=60)
    return program.returncode, out + err


def test_the_program_from_start_to_stop(running: RunningBroker, tmp_path: Path) -> None:
    data = tmp_path / "data"
    code, said = ask(data, running.port, "--health")
    assert (code, "never run" in said) == (1, True)
    with start_program(data, running.port) as started:
        until("health", lambda: ask(data, running.port, "--health")[0] == 0)
        with plain_client(running) as device:
            device.publish(*numbered(3), qos=1).wait_for_publish(PATIENCE_S)
        store = open_store(Settings(data=data), writing=False)
        until("the reading", lambda: len(store.read("g3", ["n"], 0, 2**33)["n"]) == 1)
        store.close()
        code, said = ask(data, running.port, "--drain")  # it is not alone
        assert (code, "another ingest has this data folder" in said) == (2, True)
        started.send_signal(signal.SIGTERM)
        assert started.wait(120) == 0
    code, said = ask(data, running.port, "--health")
    assert (code, "was stopped" in said) == (1, True)


def test_the_program_drains_the_inbox_and_stops(tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    topic, payload = numbered(1)
    line = {"received_at": clock.now(), "topic": topic, "payload": json.loads(payload)}
    (inbox / "a.jsonl").write_text(json.dumps(line) + "\n")
    code, said = ask(tmp_path, 1, "--drain")
    assert code == 0, said
    assert "1 messages, 1 readings" in said
    assert not list(inbox.iterdir())


def test_wrong_settings_stop_the_start_with_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "hourhand.toml").write_text('mqtt_password = "changeme"\n')
    code, said = ask(tmp_path, 1)
    assert code == 2
    assert "placeholder" in said
