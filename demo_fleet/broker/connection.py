"""One client's connection: bytes in, what the standard demands as an answer, bytes out.

An asyncio protocol without tasks of its own, so that nothing is left over when the loop ends.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from paho.mqtt.packettypes import PacketTypes

from demo_fleet.broker import answers, packets, wire
from demo_fleet.broker.exchange import Exchange
from demo_fleet.broker.packets import Connect, Malformed
from demo_fleet.broker.sessions import Session

CONNECT_WITHIN_S = 10.0
PATIENCE = 1.5
"""A client may be silent for this many of its keepalives [MQTT-3.1.2-24]."""
PAUSE_AT, SPARE_AT_MOST = 1_000_000, 8_000_000
"""Unsent bytes at which QoS 1 waits, and at which QoS 0 is dropped."""
ACCEPTED = 0


class Connection(asyncio.Protocol):
    """From the first byte to the last. `open_ones` holds every connection that is not closed yet."""

    def __init__(
        self,
        exchange: Exchange,
        open_ones: set[Connection],
        steady: Callable[[], float],
        at_most: int,
    ) -> None:
        self._exchange, self._open, self._steady = exchange, open_ones, steady
        self._at_most = at_most
        self._transport: asyncio.Transport | None = None
        self._received = bytearray()
        self._session: Session | None = None
        self._asked: Connect | None = None
        self._made_at = self._heard_at = 0.0
        self._ending = False
        self._paused = False
        self._handlers: dict[int, Callable[[int, bytes], None]] = {
            PacketTypes.PUBLISH: self._on_publish,
            PacketTypes.PUBACK: self._on_puback,
            PacketTypes.PUBREL: self._on_pubrel,
            PacketTypes.SUBSCRIBE: self._on_subscribe,
            PacketTypes.UNSUBSCRIBE: self._on_unsubscribe,
            PacketTypes.PINGREQ: lambda _flags, _data: self.send(answers.PINGRESP),
            PacketTypes.DISCONNECT: self._on_disconnect,
        }

    # ---- what the loop says

    def connection_made(self, transport: Any) -> None:
        self._transport = transport
        self._made_at = self._heard_at = self._steady()
        self._open.add(self)
        transport.set_write_buffer_limits(high=PAUSE_AT)
        if len(self._open) > self._at_most:
            self._ending = True
            transport.abort()

    def connection_lost(self, _fault: Exception | None) -> None:
        self._open.discard(self)
        self._left(with_will=True)

    def pause_writing(self) -> None:
        self._paused = True

    def resume_writing(self) -> None:
        self._paused = False
        if self._session is not None:
            self._session.pump(self._steady())

    def data_received(self, data: bytes) -> None:
        self._heard_at = self._steady()
        self._received += data
        try:
            if self._session is None and self._received[0] >> 4 != PacketTypes.CONNECT:
                raise Malformed("the first packet is no CONNECT", packets.PROTOCOL_ERROR)
            for kind, flags, body in wire.packets(self._received):
                if self._ending:
                    return
                self._take(kind, flags, body)
        except Malformed as fault:
            self._refuse(fault)

    # ---- what a session asks of a line

    @property
    def writable(self) -> bool:
        return not (self._ending or self._paused)

    @property
    def spare(self) -> bool:
        if self._transport is None or self._ending:
            return False
        return self._transport.get_write_buffer_size() < SPARE_AT_MOST

    def send(self, data: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(data)

    def goodbye(self, code: int) -> None:
        """Tell why, where the version knows how, and close. Nothing is read any more."""
        if self._transport is None or self._ending:
            return
        self._ending = True
        if self._asked is not None:
            self.send(answers.goodbye(self._asked.version, code))
        self._transport.close()

    def abort(self) -> None:
        """Close without waiting for what is unsent."""
        self._ending = True
        if self._transport is not None:
            self._transport.abort()

    def leave_quietly(self, code: int) -> None:
        """The broker stops: no will, the session stays."""
        self._left(with_will=False)
        self.goodbye(code)

    def look(self, now: float) -> None:
        """End a client that says nothing for too long; one that was told to go and stays."""
        silent = now - self._heard_at
        if self._ending:
            self.abort()
        elif self._asked is None:
            if now - self._made_at > CONNECT_WITHIN_S:
                self.abort()
        elif self._asked.keepalive_s and silent > PATIENCE * self._asked.keepalive_s:
            self.goodbye(packets.KEEPALIVE_OVER)

    # ---- packets

    def _take(self, kind: int, flags: int, body: bytes) -> None:
        if self._session is None:
            self._on_connect(body)
            return
        handler = self._handlers.get(kind)
        if handler is None:
            raise Malformed("a packet that no client sends here", packets.PROTOCOL_ERROR)
        handler(flags, body)

    def _refuse(self, fault: Malformed) -> None:
        """A connected client is told and goes; its will is published. Another just goes."""
        self._left(with_will=True)
        self.goodbye(fault.code)

    def _on_connect(self, body: bytes) -> None:
        now = self._steady()
        asked = wire.read_connect(body, now)
        code, given = self._judge(asked), ""
        if code == ACCEPTED and not asked.client_id:
            given = self._exchange.new_name()
            asked = replace(asked, client_id=given)
        if code == ACCEPTED and self._exchange.full(asked.client_id):
            code = packets.BUSY
        if code != ACCEPTED:
            self.send(answers.connack(asked.version, code))
            self.goodbye(code)
            return
        self._asked = asked
        self._session, present = self._exchange.come(asked, self, now)
        self.send(answers.connack(asked.version, ACCEPTED, present, given))
        self._session.attach(self, now)

    @staticmethod
    def _judge(asked: Connect) -> int:
        if asked.version not in (packets.V311, packets.V5):
            return packets.BAD_VERSION
        if asked.other_auth:
            return packets.NO_SUCH_AUTH
        if not asked.client_id and asked.version == packets.V311 and not asked.clean:
            return packets.BAD_NAME
        return ACCEPTED

    def _on_publish(self, flags: int, body: bytes) -> None:
        session, version, now = self._mine()
        number, message = wire.read_publish(flags, body, version, now)
        if message.qos < 2 or number not in session.taken:
            self._exchange.publish(message, session, now)
        if message.qos == 1:
            self.send(answers.answer(PacketTypes.PUBACK, number))
        elif message.qos == 2:
            session.taken.add(number)
            self.send(answers.answer(PacketTypes.PUBREC, number))

    def _on_puback(self, _flags: int, body: bytes) -> None:
        session, _, now = self._mine()
        session.acknowledged(wire.read_number(body), now)

    def _on_pubrel(self, _flags: int, body: bytes) -> None:
        session, _, _ = self._mine()
        number = wire.read_number(body)
        session.taken.discard(number)
        self.send(answers.answer(PacketTypes.PUBCOMP, number))

    def _on_subscribe(self, _flags: int, body: bytes) -> None:
        session, version, now = self._mine()
        number, wishes = wire.read_subscribe(body, version)
        codes, follow = self._exchange.subscribe(session, wishes)
        self.send(answers.listed(PacketTypes.SUBACK, number, codes, version))
        self._exchange.recall(session, follow, now)

    def _on_unsubscribe(self, _flags: int, body: bytes) -> None:
        session, version, _ = self._mine()
        number, patterns = wire.read_unsubscribe(body, version)
        codes = self._exchange.unsubscribe(session, patterns)
        self.send(answers.listed(PacketTypes.UNSUBACK, number, codes, version))

    def _on_disconnect(self, _flags: int, body: bytes) -> None:
        session, version, _ = self._mine()
        reason, kept_s = wire.read_goodbye(body, version)
        if kept_s is not None:
            if session.kept_s == 0 and kept_s > 0:
                raise Malformed("a session of no length is to be kept", packets.PROTOCOL_ERROR)
            session.kept_s = kept_s
        self._left(with_will=reason == packets.GOODBYE_WITH_WILL)
        self._ending = True
        if self._transport is not None:
            self._transport.close()

    # ---- the rest

    def _mine(self) -> tuple[Session, int, float]:
        assert self._session is not None
        return self._session, self._session.version, self._steady()

    def _left(self, *, with_will: bool) -> None:
        session, self._session = self._session, None
        if session is not None:
            self._exchange.leave(session, self, self._steady(), with_will=with_will)
