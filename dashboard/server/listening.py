"""Listening: uvicorn's server, its sockets opened by us, so that a handshake has its time too.

asyncio makes the protocol of a TLS connection only after the handshake, and nobody would count
those that never end it. Here a connection is counted as it comes, and shakes hands afterwards.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
import sys
from pathlib import Path
from typing import Any

import uvicorn
from uvicorn.config import STARTUP_FAILURE, Config

from dashboard.server.crowd import Crowd, Guest
from dashboard.server.protocol import Timed, Times

log = logging.getLogger("dashboard")


class TlsFault(Exception):
    """The files given for TLS cannot be used. Says which, why, and what to do."""


def check_pair(cert: str, key: str) -> None:
    """Load both as the server will. Raises TlsFault."""
    for name, file in (("tls_cert", cert), ("tls_key", key)):
        _readable(name, file)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(cert, key, password="")
    except ssl.SSLError as fault:
        raise TlsFault(_said(fault, cert, key)) from None


def _readable(name: str, file: str) -> None:
    try:
        text = Path(file).read_bytes()
    except OSError as fault:
        raise TlsFault(f"{name}: {file} cannot be read ({fault.strerror}).") from None
    if b"-----BEGIN " not in text:
        raise TlsFault(f"{name}: {file} is not PEM: it must hold lines -----BEGIN and -----END.")


def _said(fault: ssl.SSLError, cert: str, key: str) -> str:
    if "KEY_VALUES_MISMATCH" in str(fault) or "KEY_TYPE_MISMATCH" in str(fault):
        return f"{key} is not the private key of the certificate in {cert}: give the pair."
    if b"ENCRYPTED" in Path(key).read_bytes():
        return f"{key} is locked with a passphrase: give one without, readable by this user only."
    return (
        f"{cert} and {key} cannot be used together ({fault.reason or fault}): tls_cert takes the "
        "certificate followed by its chain, tls_key its private key, both as PEM."
    )


class Server(uvicorn.Server):
    """uvicorn with a crowd and deadlines. Takes host, port and TLS from its configuration."""

    def __init__(self, config: Config, crowd: Crowd, times: Times | None = None) -> None:
        super().__init__(config)
        self._crowd = crowd
        self._times = times or Times()

    async def startup(self, sockets: Any = None) -> None:
        """Open the socket. Ends the process where it cannot be, as uvicorn does."""
        await self.lifespan.startup()
        if self.lifespan.should_exit:
            sys.exit(STARTUP_FAILURE)
        config = self.config
        try:
            server = await asyncio.get_running_loop().create_server(
                self._come, host=config.host, port=config.port, backlog=config.backlog
            )
        except OSError as fault:
            log.error("%s:%d cannot be listened at: %s", config.host, config.port, fault)
            await self.lifespan.shutdown()
            sys.exit(STARTUP_FAILURE)
        self.servers = [server]
        self._log_started_message(server.sockets)
        self.started = True

    def _come(self) -> asyncio.Protocol:
        if self.config.ssl is not None:
            return _Handshake(self, self.config.ssl)
        return self.timed(None)

    def timed(self, guest: Guest | None) -> Timed:
        """The protocol of one connection."""
        return Timed(
            self.config, self.server_state, self.lifespan.state, self._crowd, self._times, guest
        )

    def enter(self, transport: asyncio.Transport) -> Guest | int:
        """Let a connection in before its handshake, or the status that says why not."""
        peer = transport.get_extra_info("peername") or ("",)
        return self._crowd.enter(str(peer[0]), transport.abort)

    def gone(self, guest: Guest) -> None:
        """It left before it was through."""
        self._crowd.gone(guest)

    @property
    def handshake_s(self) -> float:
        """Seconds a handshake may take."""
        return self._times.head


class _Early(asyncio.Protocol):
    """Keeps what comes with the end of the handshake until the connection is made known."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.ended = False

    def data_received(self, data: bytes) -> None:
        self.data += data

    def connection_lost(self, exc: Exception | None) -> None:
        self.ended = True


class _Handshake(asyncio.Protocol):
    """A connection that has not shaken hands yet."""

    def __init__(self, server: Server, context: ssl.SSLContext) -> None:
        self._server = server
        self._context = context
        self._guest: Guest | None = None
        self._task: asyncio.Task[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        found = self._server.enter(transport)
        if isinstance(found, int):
            transport.abort()  # no words can be said before a handshake
            return
        self._guest = found
        transport.pause_reading()
        self._task = asyncio.get_running_loop().create_task(self._shake(transport, found))

    def connection_lost(self, exc: Exception | None) -> None:
        if self._guest is not None:
            self._server.gone(self._guest)

    async def _shake(self, transport: asyncio.Transport, guest: Guest) -> None:
        early = _Early()
        try:
            made = await asyncio.get_running_loop().start_tls(
                transport,
                early,
                self._context,
                server_side=True,
                ssl_handshake_timeout=self._server.handshake_s,
                ssl_shutdown_timeout=self._server.handshake_s,
            )
        except (OSError, asyncio.CancelledError) as fault:
            log.debug("a handshake came to nothing: %r", fault)
            transport.abort()
            self._server.gone(guest)
            return
        if made is None or early.ended:
            self._server.gone(guest)
            return
        timed = self._server.timed(guest)
        made.set_protocol(timed)
        timed.connection_made(made)
        if early.data:
            timed.data_received(bytes(early.data))
