"""A mail server and a web server of the tests' own, on loopback, that keep what they get."""

from __future__ import annotations

import email
import email.policy
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from service import free_port


@dataclass
class MailServer:
    """answers: what it says to the next messages; when empty it takes them."""

    port: int = 0
    answers: list[str] = field(default_factory=list)
    got: list[EmailMessage] = field(default_factory=list)
    hang: threading.Event | None = None

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.answers:
            return self.answers.pop(0)
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        message["X-To"] = ", ".join(envelope.rcpt_tos)
        self.got.append(message)
        return "250 taken"

    @property
    def ids(self) -> list[str]:
        return [str(m["X-Hourhand-Notice"]) for m in self.got]


@contextmanager
def mail_server(port: int = 0) -> Iterator[MailServer]:
    held = MailServer(port=port or free_port())
    controller = Controller(held, hostname="127.0.0.1", port=held.port)
    controller.start()
    try:
        yield held
    finally:
        controller.stop()


@dataclass
class WebServer:
    """answers: status codes of the next requests, then 200. hold: answer only when it is set."""

    port: int
    answers: list[int] = field(default_factory=list)
    got: list[dict[str, Any]] = field(default_factory=list)
    asked: int = 0
    hold: threading.Event | None = None

    @property
    def ids(self) -> list[str]:
        return [str(body["notice"]) for body in self.got]


@contextmanager
def web_server(port: int = 0) -> Iterator[WebServer]:
    held = WebServer(port=port or free_port())

    class Answer(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"] or 0))
            held.asked += 1
            if held.hold is not None:
                held.hold.wait(30)
            status = held.answers.pop(0) if held.answers else 200
            if status == 200:
                held.got.append(json.loads(body))
            self.send_response(status)
            if status in (301, 302):
                self.send_header("Location", "/elsewhere")
            self.end_headers()

        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", held.port), Answer)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield held
    finally:
        if held.hold is not None:
            held.hold.set()
        server.shutdown()
        server.server_close()
        thread.join(5)
