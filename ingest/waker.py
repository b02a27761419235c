"""Wakes a thread that sits in `select`."""

from __future__ import annotations

import contextlib
import socket


class Waker:
    """One end is waited on, the other is written to from any thread."""

    def __init__(self) -> None:
        self.waiting, self._calling = socket.socketpair()
        self.waiting.setblocking(False)
        self._calling.setblocking(False)

    def wake(self) -> None:
        """End the wait. From any thread."""
        with contextlib.suppress(OSError):  # enough calls are waiting, or we are closed
            self._calling.send(b"\0")

    def heard(self) -> None:
        """Forget the calls up to now."""
        with contextlib.suppress(BlockingIOError):
            self.waiting.recv(4096)

    def close(self) -> None:
        """After the thread has ended."""
        self.waiting.close()
        self._calling.close()
