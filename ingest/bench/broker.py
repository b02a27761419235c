"""A mosquitto of one's own and a publisher that is never the bottleneck: for benches and tests."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

# Bounded everywhere: abandoned sessions of benches once grew a broker to gigabytes.
CONFIGURATION = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
autosave_interval 1800
max_queued_messages 200000
max_inflight_messages 4000
persistent_client_expiration 1d
set_tcp_nodelay true
log_type error
log_type warning
"""
UP_WITHIN_S = 10.0


class NoMosquitto(Exception):
    """There is no mosquitto on this machine, or it does not start."""


class Mosquitto:
    """A mosquitto on a free port of loopback, its files in `folder`."""

    def __init__(self, folder: Path, extra: str = "") -> None:
        program = self.program()
        self.port = free_port()
        self.host = "127.0.0.1"
        folder.mkdir(parents=True, exist_ok=True)
        configuration = folder / "mosquitto.conf"
        text = CONFIGURATION.format(port=self.port, folder=folder) + extra
        if os.geteuid() == 0:  # it would become the user mosquitto, who may not write here
            text += "user root\n"
        configuration.write_text(text, "utf-8")
        self._command = [program, "-c", str(configuration)]
        self._log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    @staticmethod
    def program() -> str:
        """Where mosquitto is. Raises NoMosquitto."""
        usual = os.pathsep.join([os.environ.get("PATH", ""), "/usr/local/sbin", "/usr/sbin"])
        program = shutil.which("mosquitto", path=usual)
        if program is None:
            raise NoMosquitto("install mosquitto (Debian: apt install mosquitto)")
        return program

    def start(self) -> None:
        """Start and wait until it listens."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log)
        deadline = time.monotonic() + UP_WITHIN_S
        while time.monotonic() < deadline and self._process.poll() is None:
            with (
                contextlib.suppress(OSError),
                socket.create_connection((self.host, self.port), 0.5),
            ):
                return
            time.sleep(0.02)
        raise NoMosquitto(f"mosquitto does not start: {self._log.read_text('utf-8')[-500:]}")

    def stop(self) -> None:
        """End it; sessions are saved."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(10)

    def kill(self) -> None:
        """SIGKILL: what was not saved is gone."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait(10)


@contextlib.contextmanager
def mosquitto(folder: Path, extra: str = "") -> Iterator[Mosquitto]:
    """A running mosquitto, stopped at the end."""
    broker = Mosquitto(folder, extra)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


def free_port() -> int:
    """A loopback port nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def publish(
    port: int,
    count: int,
    packet: Callable[[int], tuple[str, bytes]],
    *,
    rate: float = 0.0,
    window: int = 2_000,
    chunk: int = 200,
) -> None:
    """Publish `count` messages at QoS 1 (MQTT 3.1.1, raw socket) and wait for every PUBACK.

    packet: number to (topic, payload). rate: messages a second, 0 for as fast as it goes.
    window: unacknowledged at most.
    """
    sent = acknowledged = rest = 0
    with _connected(port) as connection:
        began = time.monotonic()
        while acknowledged < count:
            room = min(chunk, count - sent, window - (sent - acknowledged))
            if rate:
                room = min(room, int(rate * (time.monotonic() - began)) - sent)
            if room > 0:
                connection.sendall(
                    b"".join(_publish(*packet(n), n) for n in range(sent, sent + room))
                )
                sent += room
            connection.settimeout(0.005 if sent < count else 30.0)
            try:
                received = connection.recv(65_536)
            except TimeoutError:
                if sent >= count:
                    raise
                continue
            finally:
                connection.settimeout(30.0)
            if not received:
                raise ConnectionError(f"the broker closed the connection after {acknowledged}")
            rest += len(received)
            acknowledged += rest // 4
            rest %= 4
        connection.sendall(b"\xe0\x00")


@contextlib.contextmanager
def _connected(port: int) -> Iterator[socket.socket]:
    with socket.create_connection(("127.0.0.1", port), 10) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + _text(f"publisher-{connection.getsockname()[1]}")
        connection.sendall(b"\x10" + _length(len(body)) + body)
        if connection.recv(4)[3] != 0:
            raise ConnectionError("the broker refuses the publisher")
        yield connection


def _publish(topic: str, payload: bytes, number: int) -> bytes:
    body = _text(topic) + (number % 65_535 + 1).to_bytes(2, "big") + payload
    return b"\x32" + _length(len(body)) + body


def _text(text: str) -> bytes:
    raw = text.encode("utf-8")
    return len(raw).to_bytes(2, "big") + raw


def _length(number: int) -> bytes:
    out = bytearray()
    while True:
        number, digit = divmod(number, 128)
        out.append(digit | (0x80 if number else 0))
        if not number:
            return bytes(out)
