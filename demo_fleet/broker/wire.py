"""MQTT 3.1.1 and 5 as bytes: what clients send, taken apart; what the broker sends, put together.

Source: the OASIS standards "MQTT Version 3.1.1" and "MQTT Version 5.0". The properties of MQTT 5 are
packed and unpacked by paho-mqtt. Nothing here knows a socket or a session.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from demo_fleet.broker.packets import (
    ALIAS_REFUSED,
    BAD_VERSION,
    PACKET_AT_MOST,
    PROTOCOL_ERROR,
    TOO_LARGE,
    V5,
    V311,
    Connect,
    Malformed,
    Message,
    Wish,
)

MAY_HAVE_FLAGS = {PacketTypes.PUBLISH}
FLAGS = {PacketTypes.PUBREL: 2, PacketTypes.SUBSCRIBE: 2, PacketTypes.UNSUBSCRIBE: 2}


@dataclass(slots=True)
class Body:
    """The rest of a packet, read from the front. Whatever is missing is Malformed."""

    data: bytes
    at: int = 0
    version: int = V311
    length: int = field(init=False)

    def __post_init__(self) -> None:
        self.length = len(self.data)

    def take(self, size: int) -> bytes:
        found = self.data[self.at : self.at + size]
        if len(found) != size:
            raise Malformed("a packet ends too early")
        self.at += size
        return found

    def number(self, size: int) -> int:
        return int.from_bytes(self.take(size), "big")

    def blob(self) -> bytes:
        return self.take(self.number(2))

    def text(self) -> str:
        try:
            found = self.blob().decode("utf-8")
        except UnicodeDecodeError as fault:
            raise Malformed("a text is no UTF-8") from fault
        if "\x00" in found:
            raise Malformed("a text holds the null character")
        return found

    def rest(self) -> bytes:
        return self.take(self.length - self.at)

    @property
    def over(self) -> bool:
        return self.at >= self.length

    def packet_id(self) -> int:
        number = self.number(2)
        if number == 0:
            raise Malformed("a packet has the number 0", PROTOCOL_ERROR)
        return number

    def properties(self, kind: int) -> Properties | None:
        """MQTT 5's properties of a packet of this kind; None where there are none."""
        if self.version != V5:
            return None
        begin, size = self.at, self._variable()
        if size == 0:
            return None
        self.take(size)
        try:
            found = Properties(kind)  # type: ignore[no-untyped-call]
            found.unpack(self.data[begin : self.at])  # type: ignore[no-untyped-call]
        except Exception as fault:  # paho says it in many ways
            raise Malformed(f"properties cannot be read: {fault}") from fault
        return found

    def _variable(self) -> int:
        found = 0
        for place in range(4):
            digit = self.number(1)
            found |= (digit & 127) << (7 * place)
            if digit < 128:
                return found
        raise Malformed("a length has more than four bytes")


def packets(received: bytearray) -> Iterator[tuple[int, int, bytes]]:
    """(kind, flags, body) of each whole packet; they are taken off the front of `received`."""
    while len(received) >= 2:
        size, at = 0, 1
        while True:
            if at == len(received):
                return
            size |= (received[at] & 127) << (7 * (at - 1))
            at += 1
            if received[at - 1] < 128:
                break
            if at == 5:
                raise Malformed("a length has more than four bytes")
        if size > PACKET_AT_MOST:
            raise Malformed("a packet is too large", TOO_LARGE)
        if len(received) < at + size:
            return
        kind, flags = received[0] >> 4, received[0] & 15
        body = bytes(received[at : at + size])
        del received[: at + size]
        if kind not in MAY_HAVE_FLAGS and flags != FLAGS.get(kind, 0):
            raise Malformed("a packet's flags are not those of its kind")
        yield kind, flags, body


def read_connect(data: bytes, now: float) -> Connect:
    """A CONNECT. An unknown version is given back with its number and nothing else."""
    body = Body(data)
    name, version = body.blob(), body.number(1)
    if name != b"MQTT":
        raise Malformed("the protocol is not called MQTT", BAD_VERSION)
    if version not in (V311, V5):
        return Connect(version, "", True, 0, 0.0)
    body.version = version
    flags, keepalive_s = body.number(1), body.number(2)
    if flags & 1:
        raise Malformed("a reserved flag of CONNECT is set")
    given = body.properties(PacketTypes.CONNECT)
    client_id, clean = body.text(), bool(flags & 2)
    will, will_s = None, 0
    if flags & 4:
        extra = body.properties(PacketTypes.WILLMESSAGE)
        will_s = _of(extra, "WillDelayInterval", 0)
        topic = topic_name(body.text())
        qos = (flags >> 3) & 3
        if qos == 3:
            raise Malformed("the will's QoS is 3")
        will = _message(topic, body.blob(), qos, bool(flags & 32), extra, now)
    elif flags & 0b0011_1000:
        raise Malformed("flags of a will without a will")
    if flags & 128:
        body.text()
    if flags & 64:
        body.blob()
    if not body.over:
        raise Malformed("CONNECT is longer than what it says")
    kept = 0xFFFF_FFFF if version == V311 and not clean else _of(given, "SessionExpiryInterval", 0)
    return Connect(
        version,
        client_id,
        clean,
        keepalive_s,
        float("inf") if kept == 0xFFFF_FFFF else float(kept),
        will,
        will_s,
        window=_of(given, "ReceiveMaximum", 65_535),
        packet_at_most=_of(given, "MaximumPacketSize", 268_435_460),
        other_auth=hasattr(given, "AuthenticationMethod"),
    )


def read_publish(flags: int, data: bytes, version: int, now: float) -> tuple[int, Message]:
    """(packet number, message); the number of a QoS 0 message is 0."""
    body, qos = Body(data, version=version), (flags >> 1) & 3
    if qos == 3 or (qos == 0 and flags & 8):
        raise Malformed("the flags of a PUBLISH contradict each other")
    topic = body.text()
    number = body.packet_id() if qos else 0
    given = body.properties(PacketTypes.PUBLISH)
    if hasattr(given, "TopicAlias"):
        raise Malformed("topic aliases are not offered", ALIAS_REFUSED)
    if hasattr(given, "SubscriptionIdentifier"):
        raise Malformed("a client sends a subscription identifier", PROTOCOL_ERROR)
    return number, _message(topic_name(topic), body.rest(), qos, bool(flags & 1), given, now)


def read_subscribe(data: bytes, version: int) -> tuple[int, list[Wish]]:
    """(packet number, what is wished for)."""
    body = Body(data, version=version)
    number, given = body.packet_id(), body.properties(PacketTypes.SUBSCRIBE)
    ident = _of(given, "SubscriptionIdentifier", [None])[0]
    wishes = []
    while not body.over:
        pattern, options = body.text(), body.number(1)
        if options & 3 == 3 or options & (0xC0 if version == V5 else 0xFC) or options & 48 == 48:
            raise Malformed("the options of a subscription are not known")
        wishes.append(
            Wish(pattern, options & 3, bool(options & 4), bool(options & 8), options >> 4, ident)
        )
    if not wishes:
        raise Malformed("a SUBSCRIBE without a topic", PROTOCOL_ERROR)
    return number, wishes


def read_unsubscribe(data: bytes, version: int) -> tuple[int, list[str]]:
    """(packet number, patterns)."""
    body = Body(data, version=version)
    number, _ = body.packet_id(), body.properties(PacketTypes.UNSUBSCRIBE)
    patterns = []
    while not body.over:
        patterns.append(body.text())
    if not patterns:
        raise Malformed("an UNSUBSCRIBE without a topic", PROTOCOL_ERROR)
    return number, patterns


def read_number(data: bytes) -> int:
    """The packet number of a PUBACK, PUBREC, PUBREL or PUBCOMP; its reason changes nothing here."""
    return Body(data).packet_id()


def read_goodbye(data: bytes, version: int) -> tuple[int, float | None]:
    """(reason, new length of the session in s or None) of a DISCONNECT."""
    body = Body(data, version=version)
    reason = body.number(1) if version == V5 and not body.over else 0
    kept = None
    if not body.over:
        kept = _of(body.properties(PacketTypes.DISCONNECT), "SessionExpiryInterval", None)
    return reason, float("inf") if kept == 0xFFFF_FFFF else kept


def topic_name(topic: str) -> str:
    """A topic to publish to: not empty, without wildcards."""
    if not topic or "+" in topic or "#" in topic:
        raise Malformed("a message's topic is empty or has a wildcard", PROTOCOL_ERROR)
    return topic


def _message(
    topic: str, payload: bytes, qos: int, retain: bool, given: Properties | None, now: float
) -> Message:
    lasts = _of(given, "MessageExpiryInterval", None)
    for private in ("MessageExpiryInterval", "WillDelayInterval"):
        if hasattr(given, private):
            delattr(given, private)
    until = None if lasts is None else now + lasts
    return Message(topic, payload, qos, retain, given, until)


def _of(given: Properties | None, name: str, default: Any) -> Any:
    return getattr(given, name, default)
