"""What the broker owes one client: its subscriptions, what was sent and not acknowledged, what waits.

A session outlives its connection, and the broker's stop and start within one process. Everything
is bounded. Outgoing messages are of QoS 0 or 1.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

from demo_fleet.broker import answers
from demo_fleet.broker.packets import V311, Message, Wish

QOS_AT_MOST = 1
"""Granted to subscribers. A message published at QoS 2 is taken once and handed on at QoS 1."""
WINDOW_AT_MOST = 1_000
"""Messages sent and not acknowledged, whatever the client would take."""
WAITING_AT_MOST, WAITING_BYTES_AT_MOST = 200_000, 64_000_000


class Line(Protocol):
    """A connection as a session sees it."""

    @property
    def writable(self) -> bool:
        """Whether QoS 1 messages may be sent now; the line says when it can again."""

    @property
    def spare(self) -> bool:
        """Whether there is room for QoS 0 messages, which are dropped where there is none."""

    def send(self, data: bytes) -> None: ...

    def goodbye(self, code: int) -> None:
        """Tell the reason where the version knows how, and close."""


@dataclass(frozen=True, slots=True)
class Owed:
    """A message on its way to one client."""

    message: Message
    qos: int
    retain: bool
    idents: tuple[int, ...] = ()


class Session:
    """One client's. kept_s: how long it lasts without a connection, s."""

    def __init__(self, client_id: str) -> None:
        self.client_id = client_id
        self.version = V311
        self.kept_s = 0.0
        self.window = WINDOW_AT_MOST
        self.packet_at_most = 0
        self.wishes: dict[str, Wish] = {}
        self.line: Line | None = None
        self.left_at: float | None = None
        self.will: Message | None = None
        self.will_s = 0
        self.will_at: float | None = None
        self.dropped = 0
        self.taken: set[int] = set()
        self._owed: dict[int, Owed] = {}
        self._sent: set[int] = set()
        self._again: deque[int] = deque()
        self._waiting: deque[Owed] = deque()
        self._waiting_bytes = 0
        self._last = 0

    @property
    def unfinished(self) -> int:
        """QoS 1 messages that were not acknowledged yet, sent or not."""
        return len(self._owed) + len(self._waiting)

    def attach(self, line: Line, now: float) -> None:
        """A connection again: what was sent and not acknowledged comes first, marked as such."""
        self.line, self.left_at, self.will_at = line, None, None
        self._sent.clear()
        self._again = deque(self._owed)
        self.pump(now)

    def detach(self, now: float) -> None:
        self.line, self.left_at = None, now

    def over(self, now: float) -> bool:
        """Whether it has been without a connection for as long as it was to be kept."""
        return self.left_at is not None and now >= self.left_at + self.kept_s

    def hand(self, owed: Owed, now: float) -> None:
        """Send, or keep for later what has to arrive; drops what there is no room for."""
        if owed.qos == 0:
            if self.line is not None and self.line.spare:
                self._send(owed, 0, False, now)
            else:
                self.dropped += 1
            return
        size = len(owed.message.payload)
        if (
            len(self._waiting) >= WAITING_AT_MOST
            or self._waiting_bytes + size > WAITING_BYTES_AT_MOST
        ):
            self.dropped += 1
            return
        self._waiting.append(owed)
        self._waiting_bytes += size
        self.pump(now)

    def pump(self, now: float) -> None:
        """Send as much as the client's window and its line take."""
        while self.line is not None and self.line.writable and len(self._sent) < self.window:
            again = bool(self._again)
            if again:
                number = self._again.popleft()
                if number not in self._owed:
                    continue  # acknowledged late, by what came before it was sent again
                owed = self._owed[number]
            elif self._waiting:
                owed = self._waiting.popleft()
                self._waiting_bytes -= len(owed.message.payload)
                if owed.message.stale(now):
                    continue
                number = self._number()
            else:
                return
            if self._send(owed, number, again, now):
                self._owed[number] = owed
                self._sent.add(number)
            else:
                self._owed.pop(number, None)

    def acknowledged(self, number: int, now: float) -> None:
        """A PUBACK. One for a number that is not on its way changes nothing."""
        self._owed.pop(number, None)
        self._sent.discard(number)
        self.pump(now)

    def _number(self) -> int:
        while True:
            self._last = self._last % 65_535 + 1
            if self._last not in self._owed:
                return self._last

    def _send(self, owed: Owed, number: int, again: bool, now: float) -> bool:
        """False where the client takes no packet as large."""
        data = answers.publish(
            owed.message, number, owed.qos, owed.retain, again, self.version, owed.idents, now
        )
        if len(data) > self.packet_at_most:
            self.dropped += 1
            return False
        assert self.line is not None
        self.line.send(data)
        return True


def heard(wishes: Iterable[Wish], message: Message, own: bool = False) -> Owed | None:
    """What a client with these subscriptions gets of a message just published, once.

    own: it published the message itself.
    """
    found = [
        wish
        for wish in wishes
        if matches(wish.pattern, message.topic) and not (own and wish.no_local)
    ]
    if not found:
        return None
    qos = min(message.qos, max(wish.qos for wish in found), QOS_AT_MOST)
    retain = message.retain and any(wish.keep_retain for wish in found)
    return Owed(message, qos, retain, tuple(w.ident for w in found if w.ident is not None))


def good_pattern(pattern: str) -> bool:
    """Whether it is a topic filter: `#` alone at the end, `+` alone between its slashes."""
    levels = pattern.split("/")
    if not pattern or "#" in "".join(levels[:-1]):
        return False
    return all(level in ("#", "+") or not ("#" in level or "+" in level) for level in levels)


@lru_cache(8_192)
def matches(pattern: str, topic: str) -> bool:
    """Whether a topic filter covers a topic. A first `#` or `+` does not cover `$...`."""
    wanted, given = pattern.split("/"), topic.split("/")
    if topic.startswith("$") and wanted[0] in ("#", "+"):
        return False
    if wanted[-1] == "#":
        wanted.pop()
        given = given[: len(wanted)]
    return len(wanted) == len(given) and all(
        w in ("+", g) for w, g in zip(wanted, given, strict=True)
    )
