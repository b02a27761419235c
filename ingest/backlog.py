"""Whether what comes now lay at the broker while nobody listened.

MQTT says nothing of when a message was sent. But a session is delivered in order, so all that lay
there comes before anything sent since: it has all come when a device gives a time after our
return, or when little comes although the broker may send.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from ingest.link import Arrived

LITTLE = 400
WITHIN_S = 2.0
"""Fewer messages than LITTLE in WITHIN_S: nothing lies there any more. A broker empties a session
as fast as it is acknowledged, thousands a second; even a window of 20 and 30 ms a commit make
1,300 in 2 s. A fleet that sends more than 200 a second has devices that give times. Arithmetic."""
AT_MOST_S = 600.0
"""It is not waited for longer. A bound of ours."""
SMALL_WINDOW = 20
"""Unacknowledged messages that stop a broker with usual settings: from so many on, others lie. A
bound of ours."""


class Backlog:
    """Fed by the writer with what it took off the queue. `now` is monotonic seconds."""

    def __init__(self) -> None:
        self.on = False
        self._resumed: tuple[int, int] | None = None
        self._generation = 0
        self._from = 0
        self._began = self._looked = 0.0
        self._count = 0

    def resumed(self, which: tuple[int, int] | None, now: float) -> None:
        """A connection that found its session, and since when [s UTC]."""
        if which is not None and self.is_news(which):
            self._resumed = which
            self._begin(*which, now)

    def is_news(self, which: tuple[int, int] | None) -> bool:
        """Whether a connection found its session and the writer has not looked at that yet."""
        return which is not None and which != self._resumed

    def held(self, messages: int, generation: int, since: int, now: float) -> None:
        """Messages were not acknowledged for a while, until `since` [s UTC]."""
        if messages >= SMALL_WINDOW:
            self._begin(generation, since, now)

    def mark(self, batch: Sequence[Arrived], now: float) -> list[Arrived]:
        """The batch, with those marked that lay at the broker."""
        self._count += len(batch)
        found = list(batch)
        if self.on:
            found = [self._marked(arrived) for arrived in batch]
            quiet = now - self._looked >= WITHIN_S
            if (quiet and self._count < LITTLE) or now - self._began > AT_MOST_S:
                self.on = False
            elif quiet:
                self.rest(now)
        return found

    def rest(self, now: float) -> None:
        """Count anew: the broker could not send, or has sent much."""
        self._looked, self._count = now, 0

    def told(self, at: int | None) -> None:
        """A device gave that time [s UTC]: what comes after is as young."""
        if at is not None and at > self._from:
            self.on = False

    def _begin(self, generation: int, since: int, now: float) -> None:
        self.on = True
        self._generation, self._from = generation, since
        self._began = now
        self.rest(now)

    def _marked(self, arrived: Arrived) -> Arrived:
        message = arrived.message
        if arrived.generation != self._generation or message.received_at < self._from:
            return arrived
        queued = msgspec.structs.replace(message, queued=True)
        return msgspec.structs.replace(arrived, message=queued)
