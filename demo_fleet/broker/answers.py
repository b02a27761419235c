"""MQTT 3.1.1 and 5 as bytes: the packets the broker sends."""

from __future__ import annotations

import copy
from typing import Any

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from demo_fleet.broker.packets import OLD_CODES, PACKET_AT_MOST, V5, Message

PINGRESP = b"\xd0\x00"


def packet(kind: int, flags: int, body: bytes) -> bytes:
    """Fixed header, remaining length, body."""
    size, length = len(body), bytearray()
    while True:
        size, digit = divmod(size, 128)
        length.append(digit | (128 if size else 0))
        if not size:
            return bytes([kind << 4 | flags]) + bytes(length) + body


def connack(version: int, code: int, present: bool = False, given_id: str = "") -> bytes:
    """code: as MQTT 5 numbers it. given_id: the name the broker gave a client that had none."""
    if version != V5:
        return packet(PacketTypes.CONNACK, 0, bytes([present, OLD_CODES.get(code, 5)]))
    said: dict[str, Any] = {"MaximumPacketSize": PACKET_AT_MOST, "SharedSubscriptionAvailable": 0}
    if given_id:
        said["AssignedClientIdentifier"] = given_id
    properties = packed(PacketTypes.CONNACK, said if code == 0 else {})
    return packet(PacketTypes.CONNACK, 0, bytes([present, code]) + properties)


def publish(
    message: Message,
    number: int,
    qos: int,
    retain: bool,
    again: bool,
    version: int,
    idents: tuple[int, ...],
    now: float,
) -> bytes:
    """A PUBLISH. again: it was sent before (DUP). now: on the clock of `message.until`."""
    topic = message.topic.encode("utf-8")
    body = len(topic).to_bytes(2, "big") + topic
    if qos:
        body += number.to_bytes(2, "big")
    if version == V5:
        body += _properties(message, idents, now)
    flags = (8 if again else 0) | qos << 1 | retain
    return packet(PacketTypes.PUBLISH, flags, body + message.payload)


def _properties(message: Message, idents: tuple[int, ...], now: float) -> bytes:
    if message.properties is None and message.until is None and not idents:
        return b"\x00"
    given = copy.copy(message.properties) or _none(PacketTypes.PUBLISH)
    given.packetType = PacketTypes.PUBLISH  # a will's own are those of a message
    if message.until is not None:
        given.MessageExpiryInterval = max(0, round(message.until - now))
    if idents:
        given.SubscriptionIdentifier = list(idents)
    return bytes(given.pack())  # type: ignore[no-untyped-call]


def _none(kind: int) -> Properties:
    return Properties(kind)  # type: ignore[no-untyped-call]


def packed(kind: int, said: dict[str, Any]) -> bytes:
    """Properties by name."""
    properties = _none(kind)
    for name, value in said.items():
        setattr(properties, name, value)
    return bytes(properties.pack())  # type: ignore[no-untyped-call]


def answer(kind: int, number: int) -> bytes:
    """PUBACK, PUBREC or PUBCOMP: taken."""
    return packet(kind, 0, number.to_bytes(2, "big"))


def listed(kind: int, number: int, codes: list[int], version: int) -> bytes:
    """SUBACK or UNSUBACK with a code each."""
    none = b"\x00" if version == V5 else b""
    if version != V5:
        codes = [] if kind == PacketTypes.UNSUBACK else [c if c < 128 else 128 for c in codes]
    return packet(kind, 0, number.to_bytes(2, "big") + none + bytes(codes))


def goodbye(version: int, code: int) -> bytes:
    """MQTT 5's DISCONNECT with its reason; 3.1.1 has none, the connection just ends."""
    return packet(PacketTypes.DISCONNECT, 0, bytes([code])) if version == V5 else b""
