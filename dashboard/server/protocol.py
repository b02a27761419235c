"""One connection: uvicorn's HTTP/1.1 with a deadline for whatever it waits for.

uvicorn ends a connection that asks nothing more, and waits for ever for one that began to ask: for
the rest of a head, of a body, for what was answered to be read. Here each has its time, and the
crowd knows which connection waits for what.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

import h11
from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from dashboard.server.crowd import Crowd, Guest, Phase
from fleet.bounds import whole_or

BODY_MOST_S = 180.0
"""How long a body may take [s]. A bound of ours."""
WORDS = {
    408: "The request came too slowly and was given up. Send it again.",
    429: "Too many connections are open from your address. Close some, and try again in a moment.",
    503: "Too many connections are open at once. Try again in a moment.",
}
RETRY_S = 10
"""Asked of who was turned away [s]. A pace of ours."""


@dataclass(frozen=True, slots=True)
class Times:
    """Seconds. head: until a request's head is there (a handshake too). body: until its body is,
    and one more for every `body_bytes` it has. write: until something of the answer is read.
    linger: what is closed, until it is read to its end."""

    head: float = 10.0
    body: float = 30.0
    body_bytes: int = 8_000
    write: float = 30.0
    linger: float = 10.0


class Timed(H11Protocol):
    """HTTP/1.1 with deadlines. guest: where the crowd let it in already (after a handshake)."""

    def __init__(
        self,
        config: Config,
        state: ServerState,
        app_state: dict[str, Any],
        crowd: Crowd,
        times: Times,
        guest: Guest | None = None,
    ) -> None:
        super().__init__(config, state, app_state)
        self._crowd = crowd
        self._times = times
        self._guest = guest
        self._refused = False
        self._seen: object = None
        self._clock: asyncio.TimerHandle | None = None
        self._writing: asyncio.TimerHandle | None = None

    # --- what the loop calls -------------------------------------------------------------------

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if self._guest is None:
            peer = self.client[0] if self.client else ""
            found = self._crowd.enter(peer, self._leave)
            if isinstance(found, int):
                self._refuse(found)
                return
            self._guest = found
        else:
            self._guest.leave = self._leave
        self._arm(self._times.head, self._late)

    def data_received(self, data: bytes) -> None:
        if self._refused:
            return
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if self.transport.is_closing():
            self._linger()
        else:
            self._look()

    def timeout_keep_alive_handler(self) -> None:
        super().timeout_keep_alive_handler()
        self._linger()

    def send_400_response(self, msg: str) -> None:
        super().send_400_response(msg)
        self._linger()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._writing = self.loop.call_later(self._times.write, self._leave)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._writing is not None:
            self._writing.cancel()
            self._writing = None

    def connection_lost(self, exc: Exception | None) -> None:
        self._arm(0, None)
        self.resume_writing()
        if self._guest is not None:
            self._crowd.gone(self._guest)
        super().connection_lost(exc)

    # --- what it waits for ---------------------------------------------------------------------

    def _phase(self) -> Phase:
        theirs = self.conn.their_state
        if theirs is h11.SEND_BODY:
            return "body"
        if self.cycle is not None and not self.cycle.response_complete:
            return "answer"
        return "head" if self.conn.trailing_data[0] or self.cycle is None else "idle"

    def _look(self) -> None:
        """What it waits for now; the deadline of a new phase begins, that of the old one holds."""
        if self._guest is None or self.transport.is_closing():
            return
        phase = self._phase()
        if phase == self._guest.phase and self.cycle is self._seen:
            return
        self._guest.phase, self._seen = phase, self.cycle
        if phase == "head":
            self._arm(self._times.head, self._late)
        elif phase == "body":
            self._arm(self._body_s(), self._late)
        else:
            self._arm(0, None)

    def _body_s(self) -> float:
        said = dict(self.headers or ()).get(b"content-length", b"0").decode("latin-1")
        length = whole_or(said, 0, most=10**15)
        return min(BODY_MOST_S, self._times.body + length / self._times.body_bytes)

    def _arm(self, seconds: float, then: Callable[[], None] | None) -> None:
        if self._clock is not None:
            self._clock.cancel()
        self._clock = None if then is None else self.loop.call_later(seconds, then)

    # --- how it ends ---------------------------------------------------------------------------

    def _late(self) -> None:
        """A head or a body did not come in its time: said in words where something was asked."""
        begun = self.cycle is not None or bool(self.conn.trailing_data[0])
        answered = self.cycle is not None and self.cycle.response_started
        if begun and not answered and not self.transport.is_closing():
            self.transport.write(refusal(408))
        self.transport.close()
        self._linger()

    def _refuse(self, status: int) -> None:
        """Words for who found no room. What still comes is not read."""
        self._refused = True
        if self.scheme == "http":
            self.transport.write(refusal(status))
        self.transport.close()
        self._linger()

    def _linger(self) -> None:
        self._arm(self._times.linger, self._leave)

    def _leave(self) -> None:
        if self.transport is not None:
            self.transport.abort()


def refusal(status: int) -> bytes:
    """An answer in words, whole as it goes over the wire."""
    said = f"{WORDS[status]}\n".encode()
    head = (
        f"HTTP/1.1 {status} {HTTPStatus(status).phrase}\r\n"
        "content-type: text/plain; charset=utf-8\r\n"
        f"content-length: {len(said)}\r\nretry-after: {RETRY_S}\r\n"
        "cache-control: no-store\r\nx-content-type-options: nosniff\r\nconnection: close\r\n\r\n"
    )
    return head.encode() + said
