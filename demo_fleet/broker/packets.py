"""What both versions of MQTT speak of, and the reasons as MQTT 5 numbers them."""

from __future__ import annotations

from dataclasses import dataclass

from paho.mqtt.properties import Properties

V311, V5 = 4, 5
PACKET_AT_MOST = 4_000_000
"""Bytes of one packet; MQTT 5 clients are told."""

MALFORMED, PROTOCOL_ERROR, SHUTTING_DOWN, TAKEN_OVER = 0x81, 0x82, 0x8B, 0x8E
KEEPALIVE_OVER, ALIAS_REFUSED, TOO_LARGE = 0x8D, 0x94, 0x95
BAD_VERSION, BAD_NAME, NO_SUCH_AUTH, BUSY = 0x84, 0x85, 0x8C, 0x97
GOODBYE_WITH_WILL = 0x04
FILTER_REFUSED, SHARED_REFUSED, NOT_SUBSCRIBED = 0x8F, 0x9E, 0x11
OLD_CODES = {0: 0, BAD_VERSION: 1, BAD_NAME: 2, BUSY: 3, NO_SUCH_AUTH: 5}
"""Return codes of a 3.1.1 CONNACK for MQTT 5's reasons."""


class Malformed(Exception):
    """What a client sent is no MQTT. code: the reason as MQTT 5 numbers it."""

    def __init__(self, said: str, code: int = MALFORMED) -> None:
        super().__init__(said)
        self.code = code


@dataclass(frozen=True, slots=True)
class Message:
    """An application message. until: instant on the broker's steady clock, s; then it is stale."""

    topic: str
    payload: bytes
    qos: int
    retain: bool = False
    properties: Properties | None = None
    until: float | None = None

    def stale(self, now: float) -> bool:
        return self.until is not None and now >= self.until


@dataclass(frozen=True, slots=True)
class Connect:
    """session_s: how long the session is kept without a connection. window: Receive Maximum.

    will_s: delay of the will. packet_at_most: the largest packet the client takes, bytes.
    """

    version: int
    client_id: str
    clean: bool
    keepalive_s: int
    session_s: float
    will: Message | None = None
    will_s: int = 0
    window: int = 65_535
    packet_at_most: int = 268_435_460
    other_auth: bool = False


@dataclass(frozen=True, slots=True)
class Wish:
    """One subscription as asked for. ident: MQTT 5's Subscription Identifier."""

    pattern: str
    qos: int
    no_local: bool = False
    keep_retain: bool = False
    retained: int = 0
    ident: int | None = None
