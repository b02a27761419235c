"""The broker in a thread: listening, the look once a second, and an end that leaves nothing open."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from typing import Any

from demo_fleet.broker.connection import Connection
from demo_fleet.broker.exchange import Exchange
from demo_fleet.broker.packets import SHUTTING_DOWN

HOST = "127.0.0.1"
WAIT_S = 10.0
LOOK_S = 1.0
LAST_WORDS_S = 1.0
BACKLOG, CONNECTIONS_AT_MOST = 128, 2_000


class BrokerFault(Exception):
    """The embedded broker did not start or stop; the text says why."""


class EmbeddedBroker:
    """A broker on loopback in a daemon thread. Started again after a stop it knows its sessions."""

    def __init__(self, port: int, *, connections_at_most: int = CONNECTIONS_AT_MOST) -> None:
        self.port = port
        self.exchange = Exchange()
        self._at_most = connections_at_most
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping = asyncio.Event()
        self._open: set[Connection] = set()
        self._coming: set[asyncio.Task[Any]] = set()
        self._fault: BaseException | None = None

    def start(self) -> None:
        """Returns when it accepts connections; raises BrokerFault when it cannot."""
        if self._thread is not None:
            raise BrokerFault("The demo's broker is running already.")
        up = threading.Event()
        self._fault, self._stopping = None, asyncio.Event()
        self._thread = threading.Thread(
            target=self._run, args=(up,), name="demo-broker", daemon=True
        )
        self._thread.start()
        if not up.wait(WAIT_S):
            raise BrokerFault(f"The demo's broker did not come up within {WAIT_S:.0f} s.")
        if self._fault is not None:
            self._thread.join(WAIT_S)
            self._thread = None
            raise BrokerFault(
                f"The demo's broker cannot listen on {HOST}:{self.port}: {self._fault}. "
                "Give another port with --port."
            ) from self._fault

    def stop(self) -> None:
        """Close every connection and the port, end the thread. Nothing where it does not run."""
        thread, loop = self._thread, self._loop
        if thread is None:
            return
        if loop is not None:
            with contextlib.suppress(RuntimeError):  # its loop has ended by itself
                loop.call_soon_threadsafe(self._stopping.set)
        thread.join(WAIT_S)
        if thread.is_alive():
            raise BrokerFault(f"The demo's broker did not stop within {WAIT_S:.0f} s.")
        self._thread = self._loop = None

    def _run(self, up: threading.Event) -> None:
        try:
            asyncio.run(self._serve(up))
        except Exception as fault:
            if up.is_set():
                raise
            self._fault = fault
        finally:
            up.set()

    async def _serve(self, up: threading.Event) -> None:
        """Connections are taken in here and not by asyncio's own server: closed while a connection
        is on its way in, that one leaves its socket open (Python 3.11)."""
        self._loop = asyncio.get_running_loop()
        with socket.create_server((HOST, self.port), backlog=BACKLOG) as listening:
            listening.setblocking(False)
            self._loop.add_reader(listening, self._accept, listening)
            up.set()
            try:
                await self._live(listening)
            finally:
                self._loop.remove_reader(listening)
        await self._end()

    def _accept(self, listening: socket.socket) -> None:
        assert self._loop is not None
        try:
            taken, _ = listening.accept()
        except (BlockingIOError, InterruptedError, ConnectionAbortedError):
            return
        except OSError:  # no descriptor left: the next look listens again
            self._loop.remove_reader(listening)
            return
        task = self._loop.create_task(self._loop.connect_accepted_socket(self._connection, taken))
        self._coming.add(task)
        task.add_done_callback(self._coming.discard)

    def _connection(self) -> Connection:
        return Connection(self.exchange, self._open, time.monotonic, self._at_most)

    async def _live(self, listening: socket.socket) -> None:
        """Until it is to stop: look after every connection and session once a second."""
        assert self._loop is not None
        while not self._stopping.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stopping.wait(), LOOK_S)
            now = time.monotonic()
            for connection in list(self._open):
                connection.look(now)
            self.exchange.sweep(now)
            self._loop.add_reader(listening, self._accept, listening)

    async def _end(self) -> None:
        """Say goodbye to everybody, those on their way in too; give what is unsent a moment."""
        until = time.monotonic() + LAST_WORDS_S
        while self._open or self._coming:
            for connection in list(self._open):
                connection.leave_quietly(SHUTTING_DOWN)
                if time.monotonic() > until:
                    connection.abort()
            await asyncio.sleep(0.005)
