"""Everything the broker knows beside its sockets: sessions, retained messages, last wills.

No clock, no socket: `now` (s on a steady clock) is an argument, a connection is a `Line`. It lives
on while the broker is stopped, so that a start after a stop finds every session again.
"""

from __future__ import annotations

import itertools

from demo_fleet.broker.packets import (
    BUSY,
    FILTER_REFUSED,
    NOT_SUBSCRIBED,
    SHARED_REFUSED,
    TAKEN_OVER,
    Connect,
    Message,
    Wish,
)
from demo_fleet.broker.sessions import (
    QOS_AT_MOST,
    WINDOW_AT_MOST,
    Line,
    Owed,
    Session,
    good_pattern,
    heard,
)

SESSIONS_AT_MOST = 5_000
RETAINED_AT_MOST = 50_000
WISHES_AT_MOST = 1_000
"""Subscriptions of one session."""
ALWAYS, IF_NEW = 0, 1
"""MQTT 5's Retain Handling; 2 is never."""


class Exchange:
    """The state of one broker. Used by one thread at a time."""

    def __init__(self) -> None:
        self.sessions: dict[str, Session] = {}
        self.retained: dict[str, Message] = {}
        self._names = itertools.count(1)

    def full(self, client_id: str) -> bool:
        """Whether another session would be too many; the longest left without a connection goes."""
        if client_id in self.sessions or len(self.sessions) < SESSIONS_AT_MOST:
            return False
        left = [s for s in self.sessions.values() if s.left_at is not None]
        if left:
            oldest = min(left, key=lambda s: s.left_at or 0.0)
            del self.sessions[oldest.client_id]
        return not left

    def new_name(self) -> str:
        """A client id for a client that has none."""
        return next(
            name for name in (f"unnamed-{n}" for n in self._names) if name not in self.sessions
        )

    def come(self, asked: Connect, line: Line, now: float) -> tuple[Session, bool]:
        """The client's session and whether it was there before. `line` gets nothing yet: `attach`.

        Another connection of the same client id is ended, as the standards demand.
        """
        session = self.sessions.get(asked.client_id)
        if session is not None and session.line is not None:
            taken = session.line
            self.leave(session, taken, now, with_will=True)
            taken.goodbye(TAKEN_OVER)
            session = self.sessions.get(asked.client_id)
        if session is not None and (asked.clean or session.over(now)):
            self._end(session, now)
            session = None
        present = session is not None
        if session is None:
            session = self.sessions[asked.client_id] = Session(asked.client_id)
        session.version, session.kept_s = asked.version, asked.session_s
        session.window = min(asked.window, WINDOW_AT_MOST)
        session.packet_at_most = asked.packet_at_most
        session.will, session.will_s, session.will_at = asked.will, asked.will_s, None
        session.line = line
        return session, present

    def leave(self, session: Session, line: Line, now: float, *, with_will: bool) -> None:
        """The connection ended. with_will: not by a clean goodbye."""
        if session.line is not line:
            return  # another connection has the session by now
        session.detach(now)
        if not with_will:
            session.will = None
        elif session.will is not None:
            session.will_at = now + min(session.will_s, session.kept_s)
        self._look_at(session, now)

    def sweep(self, now: float) -> None:
        """Publish the wills that fell due, forget the sessions whose time is over."""
        for session in list(self.sessions.values()):
            self._look_at(session, now)

    def _look_at(self, session: Session, now: float) -> None:
        if session.over(now):
            self._end(session, now)
        elif session.will is not None and session.will_at is not None and now >= session.will_at:
            will, session.will, session.will_at = session.will, None, None
            self.publish(will, session, now)

    def _end(self, session: Session, now: float) -> None:
        """The session is over; a will still waiting is published with its end."""
        if self.sessions.get(session.client_id) is session:
            del self.sessions[session.client_id]
        will, session.will = session.will, None
        if will is not None and session.will_at is not None:
            self.publish(will, session, now)

    def publish(self, message: Message, sender: Session | None, now: float) -> None:
        """Keep what is to be retained, hand it to everybody who subscribed."""
        if message.retain:
            self._retain(message)
        for session in list(self.sessions.values()):
            if session.wishes:
                owed = heard(session.wishes.values(), message, own=session is sender)
                if owed is not None:
                    session.hand(owed, now)

    def _retain(self, message: Message) -> None:
        self.retained.pop(message.topic, None)
        if message.payload and len(self.retained) < RETAINED_AT_MOST:
            self.retained[message.topic] = message

    def subscribe(self, session: Session, wishes: list[Wish]) -> tuple[list[int], list[Wish]]:
        """(a code each, the wishes whose retained messages are to follow the SUBACK)."""
        codes, follow = [], []
        for wish in wishes:
            if wish.pattern.startswith("$share/"):
                codes.append(SHARED_REFUSED)
            elif not good_pattern(wish.pattern):
                codes.append(FILTER_REFUSED)
            elif wish.pattern not in session.wishes and len(session.wishes) >= WISHES_AT_MOST:
                codes.append(BUSY)
            else:
                new = wish.pattern not in session.wishes
                session.wishes[wish.pattern] = wish
                codes.append(min(wish.qos, QOS_AT_MOST))
                if wish.retained == ALWAYS or (wish.retained == IF_NEW and new):
                    follow.append(wish)
        return codes, follow

    def recall(self, session: Session, wishes: list[Wish], now: float) -> None:
        """Hand over the retained messages of new subscriptions."""
        for wish in wishes:
            for topic, message in list(self.retained.items()):
                if message.stale(now):
                    del self.retained[topic]
                    continue
                owed = heard([wish], message)
                if owed is not None:
                    session.hand(Owed(message, owed.qos, True, owed.idents), now)

    def unsubscribe(self, session: Session, patterns: list[str]) -> list[int]:
        """A code each."""
        return [
            0 if session.wishes.pop(pattern, None) is not None else NOT_SUBSCRIBED
            for pattern in patterns
        ]
