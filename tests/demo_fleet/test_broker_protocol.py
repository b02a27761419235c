"""The embedded broker's state and packets without a socket: what it owes, bounds, order, fuzz."""

from __future__ import annotations

import contextlib

import pytest
from broker_lines import client, come, said
from hypothesis import example, given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from demo_fleet.broker import exchange as exchange_module
from demo_fleet.broker import sessions as sessions_module
from demo_fleet.broker import wire
from demo_fleet.broker.exchange import Exchange
from demo_fleet.broker.packets import V5, V311, Malformed, Wish
from demo_fleet.broker.sessions import good_pattern, matches

LEVELS = st.sampled_from(["a", "b", "", "hourhand", "$SYS", "é"])
TOPICS = st.lists(LEVELS, min_size=1, max_size=4).map("/".join).filter(bool)
PATTERNS = (
    st.tuples(st.lists(st.one_of(LEVELS, st.just("+")), min_size=1, max_size=4), st.booleans())
    .map(lambda two: "/".join([*two[0], "#"] if two[1] else two[0]))
    .filter(bool)
)


@given(PATTERNS, TOPICS)
@example("#", "$SYS/x")
@example("a/#", "a")
@example("+/+", "a")
def test_a_pattern_covers_what_another_implementation_says(pattern: str, topic: str) -> None:
    if topic.startswith("$") and pattern[0] in "+#":
        assert not matches(pattern, topic)
    else:
        assert matches(pattern, topic) == topic_matches_sub(pattern, topic)
    assert good_pattern(pattern)


@pytest.mark.parametrize("pattern", ["", "a#", "#/a", "a/#/b", "a+", "+a/b"])
def test_what_is_no_pattern_is_refused_and_the_rest_taken(pattern: str) -> None:
    exchange = Exchange()
    session, _, _ = come(exchange, client())
    codes, _ = exchange.subscribe(session, [Wish(pattern, 1), Wish("a", 2), Wish("$share/g/a", 1)])
    assert codes == [0x8F, 1, 0x9E]
    assert list(session.wishes) == ["a"]


def test_qos_0_goes_to_who_is_there_and_has_room() -> None:
    exchange = Exchange()
    session, line, _ = come(exchange, client())
    exchange.subscribe(session, [Wish("t", 1)])
    exchange.publish(said(b"a", qos=0), None, 0.0)
    line.spare = False
    exchange.publish(said(b"b", qos=0), None, 0.0)
    exchange.leave(session, line, 0.0, with_will=False)
    exchange.publish(said(b"c", qos=0), None, 0.0)
    assert [payload for _, payload, *_ in line.got] == [b"a"]
    assert (session.dropped, session.unfinished) == (2, 0)


def test_what_waits_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions_module, "WAITING_AT_MOST", 3)
    exchange = Exchange()
    session, line, _ = come(exchange, client())
    exchange.subscribe(session, [Wish("t", 1)])
    exchange.leave(session, line, 0.0, with_will=False)
    for n in range(5):
        exchange.publish(said(b"%d" % n), None, 0.0)
    assert (session.unfinished, session.dropped) == (3, 2)
    _, line, present = come(exchange, client())
    assert present
    assert [payload for _, payload, *_ in line.got] == [b"0", b"1", b"2"]


def test_bytes_that_wait_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions_module, "WAITING_BYTES_AT_MOST", 10)
    exchange = Exchange()
    session, line, _ = come(exchange, client())
    exchange.subscribe(session, [Wish("t", 1)])
    exchange.leave(session, line, 0.0, with_will=False)
    for _ in range(4):
        exchange.publish(said(b"four"), None, 0.0)
    assert (session.unfinished, session.dropped) == (2, 2)


def test_sessions_and_retained_messages_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exchange_module, "SESSIONS_AT_MOST", 2)
    monkeypatch.setattr(exchange_module, "RETAINED_AT_MOST", 2)
    exchange = Exchange()
    first, line, _ = come(exchange, client("first"))
    come(exchange, client("second"))
    assert exchange.full("third"), "both are connected"
    assert not exchange.full("second")
    exchange.leave(first, line, 1.0, with_will=False)
    assert not exchange.full("third")
    assert set(exchange.sessions) == {"second"}, "the one that was away made room"
    for topic in ("x", "y", "z", "x"):
        exchange.publish(said(b"kept", topic, retain=True), None, 0.0)
    assert set(exchange.retained) == {"x", "y"}
    exchange.publish(said(b"", "x", retain=True), None, 0.0)
    assert set(exchange.retained) == {"y"}


def test_a_session_and_a_will_end_when_they_said(monkeypatch: pytest.MonkeyPatch) -> None:
    exchange = Exchange()
    hearer, told, _ = come(exchange, client("hearer"))
    exchange.subscribe(hearer, [Wish("will", 1)])
    asked = client("d", version=V5, session_s=100.0, will=said(b"gone", "will"), will_s=30)
    session, line, _ = come(exchange, asked)
    exchange.leave(session, line, 0.0, with_will=True)
    exchange.sweep(29.0)
    assert told.got == []
    session, line, present = come(exchange, asked, 29.5)
    assert present
    exchange.sweep(60.0)
    assert told.got == [], "it came back in time"
    exchange.leave(session, line, 60.0, with_will=True)
    exchange.sweep(90.0)
    assert [payload for _, payload, *_ in told.got] == [b"gone"]
    exchange.sweep(159.0)
    assert "d" in exchange.sessions
    exchange.sweep(160.0)
    assert "d" not in exchange.sessions
    assert len(told.got) == 1


@pytest.mark.parametrize(("clean_goodbye", "wills"), [(True, 0), (False, 1)])
def test_a_clean_goodbye_brings_no_will(clean_goodbye: bool, wills: int) -> None:
    exchange = Exchange()
    hearer, told, _ = come(exchange, client("hearer"))
    exchange.subscribe(hearer, [Wish("#", 1)])
    asked = client("d", clean=True, session_s=0.0, will=said(b"gone", "will"))
    session, line, _ = come(exchange, asked)
    exchange.leave(session, line, 0.0, with_will=not clean_goodbye)
    assert len(told.got) == wills
    assert "d" not in exchange.sessions


def test_a_message_past_its_time_is_not_delivered() -> None:
    exchange = Exchange()
    session, line, _ = come(exchange, client())
    exchange.subscribe(session, [Wish("t", 1)])
    exchange.leave(session, line, 0.0, with_will=False)
    exchange.publish(said(b"short", until=10.0), None, 0.0)
    exchange.publish(said(b"long", until=100.0, retain=True), None, 0.0)
    _, line, _ = come(exchange, client(), 50.0)
    assert [payload for _, payload, *_ in line.got] == [b"long"]
    late, line, _ = come(exchange, client("late"), 100.0)
    exchange.recall(late, [Wish("t", 1)], 100.0)
    assert line.got == []
    assert exchange.retained == {}


def test_two_subscriptions_bring_one_copy_at_the_better_qos() -> None:
    exchange = Exchange()
    session, line, _ = come(exchange, client())
    exchange.subscribe(session, [Wish("#", 0), Wish("t", 1), Wish("+", 1, no_local=True)])
    exchange.publish(said(b"x", qos=2), None, 0.0)
    assert [(payload, qos) for _, payload, qos, *_ in line.got] == [(b"x", 1)]
    exchange.publish(said(b"own", qos=1), session, 0.0)
    assert [payload for _, payload, *_ in line.got] == [b"x", b"own"]
    exchange.unsubscribe(session, ["#", "t"])
    exchange.publish(said(b"own", qos=1), session, 0.0)
    assert len(line.got) == 2


def test_a_packet_larger_than_the_client_takes_is_left_out() -> None:
    exchange = Exchange()
    session, line, _ = come(exchange, client(packet_at_most=20))
    exchange.subscribe(session, [Wish("t", 1)])
    for payload in (b"x" * 100, b"small"):
        exchange.publish(said(payload), None, 0.0)
    assert [payload for _, payload, *_ in line.got] == [b"small"]
    assert (session.dropped, session.unfinished) == (1, 1)


READERS = {
    "connect": lambda data, _v: wire.read_connect(data, 0.0),
    "publish": lambda data, v: wire.read_publish(data[0] & 15 if data else 0, data[1:], v, 0.0),
    "subscribe": wire.read_subscribe,
    "unsubscribe": wire.read_unsubscribe,
    "number": lambda data, _v: wire.read_number(data),
    "goodbye": wire.read_goodbye,
}


@pytest.mark.parametrize("reader", READERS)
@given(data=st.binary(max_size=80), version=st.sampled_from([V311, V5]))
@example(data=b"\x00\x04MQTT\x05\x02\x00\x00\x03\x21\x00\x00\x00\x00", version=V5)
@example(data=b"\x00\x04MQTT\x05\x02\x00\x00\xff\xff\xff\xff\xff", version=V5)
@example(data=b"\x00\x01\x00\x02\x0b\x00\x00\x01a\x00", version=V5)
@settings(max_examples=300)
def test_any_bytes_are_read_or_refused(reader: str, data: bytes, version: int) -> None:
    with contextlib.suppress(Malformed):
        READERS[reader](data, version)


@given(st.lists(st.binary(max_size=300), max_size=6), st.lists(st.integers(1, 50), max_size=40))
def test_packets_come_whole_however_they_are_cut(bodies: list[bytes], cuts: list[int]) -> None:
    from demo_fleet.broker.answers import packet

    stream = b"".join(packet(3, 0, body) for body in bodies)
    received, found = bytearray(), []
    for size in [*cuts, len(stream)]:
        received += stream[:size]
        stream = stream[size:]
        found += [body for _, _, body in wire.packets(received)]
    assert found == bodies
    assert not received
