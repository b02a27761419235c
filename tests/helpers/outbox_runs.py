"""The outbox emptied to its end, as tests ask for it."""

from __future__ import annotations

from fleet.registry.base.engine import Registry
from scheduler.notify import LIMIT_S, Mail
from scheduler.turns.sending import OutboxRelay, Sent


def send(registry: Registry, mail: Mail, key: bytes, now: int, limit_s: float = LIMIT_S) -> Sent:
    """All that may leave at `now`, and how it fared: waits for every try."""
    return OutboxRelay(registry, mail, key, limit_s=limit_s).turn(now, float("inf"))
