"""The embedded MQTT broker of the demo and of functional tests: amqtt on loopback.

It speaks MQTT 3.1.1 only (a client that tries 5 first waits a minute), keeps sessions for named
users only (whatever the password: it listens on loopback alone), does not deliver again what was
not acknowledged, and may hand a client retained messages that only others subscribed to.
Guarantees are for a real broker.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from typing import Any

from amqtt.broker import Broker

HOST = "127.0.0.1"
WAIT_S = 10.0


class BrokerFault(Exception):
    """The embedded broker did not start or stop; the text says why."""


class EmbeddedBroker:
    """A broker in a daemon thread with its own event loop; `start`, then `stop` once."""

    def __init__(self, port: int) -> None:
        self.port = port
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="demo-broker", daemon=True)
        self._up = threading.Event()
        self._broker: Broker | None = None
        self._fault: BaseException | None = None

    def start(self) -> None:
        """Returns when it accepts connections; raises BrokerFault when it cannot."""
        quiet_logs()
        self._thread.start()
        if not self._up.wait(WAIT_S):
            raise BrokerFault(f"The demo's broker did not come up within {WAIT_S:.0f} s.")
        if self._fault is not None:
            raise BrokerFault(
                f"The demo's broker cannot listen on {HOST}:{self.port}: {self._fault}. "
                "Give another port with --port."
            ) from self._fault

    def stop(self) -> None:
        """Close every connection and end the thread."""
        if self._broker is None or self._loop.is_closed():
            return
        ended = asyncio.run_coroutine_threadsafe(self._broker.shutdown(), self._loop)
        try:
            ended.result(WAIT_S)
        finally:
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(WAIT_S)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.set_exception_handler(_say_nothing)
        try:
            self._loop.run_until_complete(self._begin())
            self._up.set()
            self._loop.run_forever()
        except Exception as fault:
            self._fault = fault
            self._up.set()
        finally:
            _finish(self._loop)

    async def _begin(self) -> None:
        broker = Broker(configuration(self.port), loop=self._loop)
        await broker.start()
        self._broker = broker


def configuration(port: int) -> dict[str, Any]:
    """Loopback only; any named user, nobody without a name."""
    named = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": False}}
    listener = {"type": "tcp", "bind": f"{HOST}:{port}"}
    return {"listeners": {"default": listener}, "plugins": named}


def quiet_logs() -> None:
    """The broker's libraries report each refused client with a traceback; only errors remain."""
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)


def _say_nothing(_loop: asyncio.AbstractEventLoop, _context: dict[str, Any]) -> None:
    """amqtt lets the end of a refused connection (MQTT 5, no name) fall through to the loop."""


def _finish(loop: asyncio.AbstractEventLoop) -> None:
    """Cancel what is left and close the loop, without a word."""
    left = asyncio.all_tasks(loop)
    for task in left:
        task.cancel()
    if left:
        loop.run_until_complete(asyncio.gather(*left, return_exceptions=True))
    loop.run_until_complete(loop.shutdown_asyncgens())
    loop.close()
