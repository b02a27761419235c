"""The embedded broker's refusals, kills, and its end: whatever came, nothing stays open."""

from __future__ import annotations

import contextlib
import gc
import socket
import struct
import sys
import threading
import warnings
from collections.abc import Iterator

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from mqtt_clients import WAIT_S, Client, broker_process, free_port, until

from demo_fleet.broker import BrokerFault, EmbeddedBroker, connection


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with broker_process() as chosen:
        yield chosen


def connect_packet(
    name: bytes = b"raw", level: int = 4, flags: int = 2, keepalive: int = 0
) -> bytes:
    properties = b"\x00" if level == 5 else b""
    body = b"\x00\x04MQTT" + bytes([level, flags]) + keepalive.to_bytes(2, "big") + properties
    body += len(name).to_bytes(2, "big") + name
    return b"\x10" + bytes([len(body)]) + body


REFUSED = {
    "an unknown version": (connect_packet(level=6), b"\x20\x02\x00\x01"),
    "the version before": (connect_packet(level=3), b"\x20\x02\x00\x01"),
    "a session without a name": (connect_packet(name=b"", flags=0), b"\x20\x02\x00\x02"),
    "another protocol": (b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", b""),
    "no CONNECT first": (b"\xc0\x00", b""),
    "a packet too large": (b"\x10\xff\xff\xff\x7f", b""),
    "a length without an end": (b"\x10\xff\xff\xff\xff\xff", b""),
    "a second CONNECT": (connect_packet() * 2, b"\x20\x02\x00\x00"),
    "a broken topic": (connect_packet() + b"\x30\x03\x00\x01#", b"\x20\x02\x00\x00"),
    "a broken packet of 5": (
        connect_packet(level=5) + b"\x82\x00",
        b"\x20\x0a\x00\x00\x07\x27\x00\x3d\x09\x00\x2a\x00\xe0\x01\x81",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_who_is_refused_is_told_and_closed(port: int, case: str) -> None:
    sent, answer = REFUSED[case]
    with socket.create_connection(("127.0.0.1", port), WAIT_S) as raw:
        raw.sendall(sent)
        assert everything(raw) == answer
    Client(port, "after-a-refusal").close()


def everything(raw: socket.socket) -> bytes:
    """All that comes until the other side closes; a reset is an end too."""
    raw.settimeout(WAIT_S)
    found = b""
    with contextlib.suppress(ConnectionError):
        while chunk := raw.recv(65_536):
            found += chunk
    return found


def test_who_says_nothing_is_closed_and_the_will_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing at all before CONNECT; nothing for one and a half keepalives after it."""
    monkeypatch.setattr(connection, "CONNECT_WITHIN_S", 0.2)
    broker = EmbeddedBroker(free_port())
    broker.start()
    hearer = Client(broker.port, "hears-wills", "will")
    will = b"\x00\x04will\x00\x04gone"
    body = b"\x00\x04MQTT\x04\x06\x00\x01\x00\x01k" + will
    with (
        socket.create_connection(("127.0.0.1", broker.port)) as mute,
        socket.create_connection(("127.0.0.1", broker.port)) as quiet,
    ):
        quiet.sendall(b"\x10" + bytes([len(body)]) + body)
        assert everything(mute) == b""
        assert everything(quiet) == b"\x20\x02\x00\x00"
    assert until(lambda: [m.payload for m in hearer.told] == [b"gone"])
    hearer.close()
    broker.stop()


def test_too_many_connections_are_turned_away() -> None:
    broker = EmbeddedBroker(free_port(), connections_at_most=2)
    broker.start()
    first, second = Client(broker.port, "first"), Client(broker.port, "second")
    with socket.create_connection(("127.0.0.1", broker.port), WAIT_S) as third:
        assert everything(third) == b""
    first.close()
    second.close()
    broker.stop()


DOINGS = ["refused", "half", "silent", "garbage", "killed", "deaf", "live", "gone", "just now"]


@given(st.lists(st.sampled_from(DOINGS), max_size=8), st.booleans())
@example(["just now"], False)
@example(["refused", "just now", "deaf", "killed"], True)
@settings(max_examples=8, deadline=None)
def test_the_end_leaves_nothing_open(doings: list[str], twice: bool) -> None:
    """Whatever its clients did: the thread ends, every socket is closed, the port is free."""
    ends_clean(doings, twice)


@pytest.mark.long
@given(st.lists(st.sampled_from(DOINGS), max_size=8), st.booleans())
@settings(max_examples=50, deadline=None)
def test_no_end_leaves_anything_open(doings: list[str], twice: bool) -> None:
    ends_clean(doings, twice)


def ends_clean(doings: list[str], twice: bool) -> None:
    """A broker whose clients did this, ended."""
    gc.collect()  # what others left is not ours
    complaints: list[object] = []
    before, sys.unraisablehook = sys.unraisablehook, complaints.append
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", ResourceWarning)  # raised where nobody can catch it
            broker = EmbeddedBroker(free_port())
            broker.start()
            raws = [raw for what in doings if (raw := do(what, broker.port)) is not None]
            broker.stop()
            if twice:
                broker.start()
                broker.stop()
            gc.collect()
        for raw in raws:
            everything(raw)  # comes to an end: the other side has closed
            raw.close()
        assert not [t for t in threading.enumerate() if t.name == "demo-broker"]
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(("127.0.0.1", broker.port))
        broker.stop()
    finally:
        sys.unraisablehook = before
    assert complaints == []


def do(what: str, port: int) -> socket.socket | None:
    """One client's way; its socket where it is still open."""
    raw = socket.create_connection(("127.0.0.1", port), WAIT_S)
    if what == "just now":
        return raw
    if what == "refused":
        raw.sendall(connect_packet(level=6))
        assert raw.recv(4) == b"\x20\x02\x00\x01"
    elif what == "half":
        raw.sendall(connect_packet()[:5])
    elif what == "garbage":
        raw.sendall(b"\xff" * 200)
    elif what == "killed":
        raw.sendall(connect_packet(b"killed"))
        raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        raw.close()
        return None
    elif what == "deaf":
        raw.sendall(connect_packet(b"deaf") + b"\x82\x06\x00\x01\x00\x01#\x01")
        assert raw.recv(9, socket.MSG_WAITALL)
        teller = Client(port, "to-the-deaf")
        for _ in range(12):  # more than the sockets' own buffers take
            teller.mqtt.publish("x", b"y" * 900_000, qos=1).wait_for_publish(WAIT_S)
        teller.close()
    elif what == "live":
        raw.sendall(connect_packet(b"live"))
        assert raw.recv(4) == b"\x20\x02\x00\x00"
    elif what == "gone":
        raw.sendall(connect_packet(b"gone") + b"\xe0\x00")
        everything(raw)
    return raw


def test_a_start_after_a_stop_knows_the_sessions() -> None:
    broker = EmbeddedBroker(free_port())
    broker.start()
    keeper = Client(broker.port, "keeper", "kept/#", clean=False)
    keeper.close()
    teller = Client(broker.port, "teller")
    teller.mqtt.publish("kept/a", b"1", qos=1, retain=True).wait_for_publish(WAIT_S)
    teller.close()
    broker.stop()
    broker.start()
    again = Client(broker.port, "keeper", "kept/#", clean=False)
    assert again.present == [True]
    assert until(lambda: len(again.told) == 2)  # what it missed, and what is retained
    again.close()
    with pytest.raises(BrokerFault, match="running already"):
        broker.start()
    broker.stop()
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(("127.0.0.1", broker.port))
    broker.stop()
