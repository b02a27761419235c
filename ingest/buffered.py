"""A socket that reads ahead and sends in bursts, for the paho client.

paho reads a message with three or four `recv` calls and sends each acknowledgement by itself; the
system calls were most of its time (measured). Its `_create_socket` is not a documented method: if
a later version calls it otherwise, we are slower and nothing else (a test says so).
"""

from __future__ import annotations

import contextlib
import socket
import ssl
from typing import Any, cast

import paho.mqtt.client as mqtt

READ_AT_MOST = 65_536
"""Bytes read at once. A size of a buffer."""


class BufferedSocket:
    """What paho asks of a socket. Sent means kept here until `flush` or `close`.

    What is not yet flushed when the connection breaks is lost, as with any socket; an
    acknowledgement that is lost makes the broker send its message again.
    """

    def __init__(self, inner: socket.socket) -> None:
        self._inner = inner
        self._read = b""
        self._at = 0
        self._unsent = bytearray()

    def recv(self, size: int) -> bytes:
        """Up to `size` bytes; raises as the socket itself does when there are none."""
        at = self._at
        if at >= len(self._read):
            self._read, at = self._inner.recv(READ_AT_MOST), 0
        found = self._read[at : at + size]
        self._at = at + len(found)
        return found

    def send(self, data: bytes) -> int:
        """Keep all of it for the next flush."""
        self._unsent += data
        return len(data)

    def flush(self) -> None:
        """Send what the system takes now. Raises OSError when the connection is gone."""
        while self._unsent:
            try:
                sent = self._inner.send(self._unsent)
            except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
                return
            del self._unsent[:sent]

    def pending(self) -> int:
        """Bytes that can be read without asking the system."""
        inner = self._inner.pending() if isinstance(self._inner, ssl.SSLSocket) else 0
        return len(self._read) - self._at + inner

    @property
    def unsent(self) -> int:
        """Bytes waiting for `flush`."""
        return len(self._unsent)

    def close(self) -> None:
        """Send what there is, then close."""
        with contextlib.suppress(OSError, ValueError):
            self.flush()
        self._inner.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


class BufferedClient(mqtt.Client):
    """A paho client on a BufferedSocket."""

    def _create_socket(self) -> Any:
        return BufferedSocket(cast(socket.socket, super()._create_socket()))
