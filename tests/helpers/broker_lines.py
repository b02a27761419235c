"""Clients of the embedded broker's state, without a socket."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from demo_fleet.broker import wire
from demo_fleet.broker.exchange import Exchange
from demo_fleet.broker.packets import V311, Connect, Message


class FakeLine:
    """A connection that keeps what it is sent, as (number, payload, qos, again, retain)."""

    def __init__(self) -> None:
        self.writable = self.spare = True
        self.got: list[tuple[int, bytes, int, bool, bool]] = []
        self.codes: list[int] = []

    def send(self, data: bytes) -> None:
        for kind, flags, body in wire.packets(bytearray(data)):
            if kind == 3:
                number, message = wire.read_publish(flags, body, V311, 0.0)
                retain, again = message.retain, bool(flags & 8)
                self.got.append((number, message.payload, message.qos, again, retain))

    def goodbye(self, code: int) -> None:
        self.codes.append(code)


def client(name: str = "c", **more: Any) -> Connect:
    plain = Connect(V311, name, clean=False, keepalive_s=0, session_s=float("inf"))
    return replace(plain, **more)


def come(exchange: Exchange, asked: Connect, now: float = 0.0) -> tuple[Any, FakeLine, bool]:
    line = FakeLine()
    session, present = exchange.come(asked, line, now)
    session.attach(line, now)
    return session, line, present


def said(payload: bytes, topic: str = "t", qos: int = 1, **more: Any) -> Message:
    return Message(topic, payload, qos, **more)
