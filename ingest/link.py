"""The connection to the broker: one thread that receives, acknowledges and connects again.

paho-mqtt is driven through its documented external loop (`loop_read`, `loop_write`,
`loop_misc`), so that a burst of messages costs one `select` and acknowledgements are sent by the
thread that knows which connection is up. Messages are appended to `arrived` and nothing else
happens in a callback: an exception there would leave a deaf thread that says it is connected.

An acknowledgement belongs to the connection its message came by. Sent on a later one it could
acknowledge another message of the same number, never stored; so older ones are thrown away, and
the broker sends those messages again.
"""

from __future__ import annotations

import logging
import random
import select
import threading
import time
from collections import deque
from collections.abc import Sequence
from typing import Any

import msgspec
import paho.mqtt.client as mqtt

from fleet import clock
from ingest.broker import Broker, new_client, subscribe
from ingest.buffered import BufferedSocket
from ingest.waker import Waker
from ingest.wire.message import Message

QOS_0_WAITING_AT_MOST = 10_000
"""Messages of QoS 0 that may wait here. A bound of ours."""
BURST = 256
"""Packets read before acknowledgements get their turn. A size of a batch."""
PAUSE_FROM_S, PAUSE_TO_S = 1.0, 30.0
"""Pauses between connections, the first and the longest. A pace of ours."""
_UNSUPPORTED_VERSION = 132
_TAKEN_OVER = 142
ANSWER_WITHIN_S = 5.0
"""A broker that knows no MQTT 5 may say nothing at all to it. A pace of ours."""
STEADY_S = 10.0
"""A connection that lasted less was no good one: the pause before the next grows. A pace of
ours."""

_log = logging.getLogger(__name__)


class Arrived(msgspec.Struct, frozen=True, gc=False):
    """A message as it came, the connection it came by, and its number there.

    paho's own record is not kept: it drags a table of MQTT 5 properties along, and a queue of
    thousands of them kept the garbage collector busy for most of the time (measured).
    """

    generation: int
    number: int
    message: Message


class Link:
    """Made, started, watched and stopped by the collector.

    `arrived` is filled here and emptied by one other thread, which reports every QoS 0 message
    it took by raising `qos_0_taken`. `wake` is set when something arrived.
    """

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self.arrived: deque[Arrived] = deque()
        self.wake = threading.Event()
        self.generation = 0
        self.connected = False
        self.subscribed = False
        self.state = "not connected yet"
        self.protocol = ""
        self.sessions_lost = 0
        self.resumed: tuple[int, int] | None = None
        """The connection that found its session again, with what lay there, and when [s UTC]."""
        self.last_message_at: int | None = None
        self.qos_0_taken = 0
        self.qos_0_dropped = 0
        self._qos_0_came = 0
        self._received = 0
        self._acks: deque[tuple[int, Sequence[int]]] = deque()
        self._waker = Waker()
        self._stop = threading.Event()
        self._answered = False
        self._reached = False
        self._unsupported = False
        self._version = mqtt.MQTTv311 if broker.protocol == "3.1.1" else mqtt.MQTTv5
        self._pause_s = PAUSE_FROM_S / 2
        self._short = 0
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    def start(self) -> None:
        """Begin to connect, in the background, and keep at it."""
        self._thread.start()

    @property
    def alive(self) -> bool:
        """False when the thread ended; the program must then end too, to be started again."""
        return self._thread.is_alive()

    def acknowledge(self, generation: int, numbers: Sequence[int]) -> None:
        """Acknowledge QoS 1 messages that came by that connection. From any thread."""
        self._acks.append((generation, numbers))
        self._waker.wake()

    def close(self, timeout_s: float = 5.0) -> None:
        """Send what acknowledgements there are, say goodbye, end the thread. Session stays."""
        self._stop.set()
        self._waker.wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        if not self._thread.is_alive():
            self._waker.close()

    # ---- the thread

    def _run(self) -> None:
        while not self._stop.is_set():
            self.generation += 1  # from here on no older acknowledgement is sent
            self._answered = self._reached = self._unsupported = self.subscribed = False
            began = time.monotonic()
            client = self._with_callbacks(new_client(self._broker, self._version))
            try:
                client.reconnect()
                self._reached = True
                self._serve(client)
            except (OSError, ValueError) as fault:
                self.state = f"the broker cannot be reached: {fault}"
            left = client.socket()
            if left is not None:
                left.close()
            self._pause(was_up=self.connected and time.monotonic() - began > STEADY_S)

    def _pause(self, was_up: bool) -> None:
        """Wait before the next attempt, longer each time that nothing lasted."""
        short = self.connected and not was_up
        self.connected = False
        if self._stop.is_set():
            return
        self._short = self._short + 1 if short else 0
        if self._short > 1 and self.state.startswith("the connection was lost"):
            self.state += f"; does another program use the client id {self._broker.client_id}?"
        self._fall_back()
        _log.warning("%s", self.state)
        self._pause_s = PAUSE_FROM_S if was_up else min(self._pause_s * 2, PAUSE_TO_S)
        self._stop.wait(self._pause_s * random.uniform(0.5, 1.0))

    def _serve(self, client: mqtt.Client) -> None:
        """Until the connection is lost or we are to stop."""
        deadline = time.monotonic() + ANSWER_WITHIN_S
        while True:
            connection = client.socket()
            if connection is None:
                return
            if not self._answered and time.monotonic() > deadline:
                self.state = "the broker does not answer"
                return
            if self._stop.is_set():
                self._send_acks(client)
                client.disconnect()
                client.loop_write()  # closes the connection, and that flushes it
                return
            buffered = connection if isinstance(connection, BufferedSocket) else None
            pending = buffered.pending() if buffered else 0
            unsent = client.want_write() or bool(buffered and buffered.unsent)
            readable, _, _ = select.select(
                [connection, self._waker.waiting],
                [connection] if unsent else [],
                [],
                0.0 if pending else 1.0,
            )
            if self._waker.waiting in readable:
                self._waker.heard()
            if (connection in readable or pending) and not self._read(client):
                return
            self._send_acks(client)
            if client.want_write() and client.loop_write() != 0:
                return
            if buffered:
                buffered.flush()
            if client.loop_misc() != 0:
                return

    def _read(self, client: mqtt.Client) -> bool:
        """Read a burst: as long as each read brought a message. False: the connection is lost."""
        for _ in range(BURST):
            before = self._received
            if client.loop_read() != 0:
                return False
            if self._received == before:
                break
        return True

    def _send_acks(self, client: mqtt.Client) -> None:
        while self._acks:
            generation, numbers = self._acks.popleft()
            if generation != self.generation or not self.connected:
                continue
            for number in numbers:
                client.ack(number, 1)

    def _with_callbacks(self, client: mqtt.Client) -> mqtt.Client:
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def _fall_back(self) -> None:
        """A broker that was reached but does not answer one version is tried with the other.

        Once a version has worked only the broker's own word (unsupported) ends it.
        """
        if self._broker.protocol != "auto" or self._answered or not self._reached:
            return
        if self._unsupported or not self.protocol:
            newer = self._version == mqtt.MQTTv5
            self._version = mqtt.MQTTv311 if newer else mqtt.MQTTv5

    # ---- callbacks: nothing here may raise

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._received += 1
        if message.qos == 0:
            if self._qos_0_came - self.qos_0_taken >= QOS_0_WAITING_AT_MOST:
                self.qos_0_dropped += 1
                return
            self._qos_0_came += 1
        self.last_message_at = received_at = clock.now()
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        self.arrived.append(
            Arrived(
                self.generation,
                message.mid,
                Message(
                    topic,
                    bytes(message.payload),
                    received_at,
                    message.qos,
                    message.retain,
                    message.dup,
                    number=message.mid,
                ),
            )
        )
        if not self.wake.is_set():
            self.wake.set()

    def _on_connect(
        self, client: mqtt.Client, _data: Any, flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._unsupported = reason.value == _UNSUPPORTED_VERSION
            self._answered = not self._unsupported
            self.state = f"the broker refuses us: {reason}"
            return
        self._answered = True
        self.connected = True
        self.protocol = "5" if self._version == mqtt.MQTTv5 else "3.1.1"
        self.state = "connected"
        self.resumed = (self.generation, clock.now()) if flags.session_present else None
        if not flags.session_present:
            self.sessions_lost += 1
            _log.warning(
                "the broker has no session for %s: what devices sent while we were away may be "
                "lost (possible loss; natural at the very first start)",
                self._broker.client_id,
            )
        # Always: a session that survived a crash between CONNECT and SUBSCRIBE is deaf.
        subscribe(client, self._broker, self._version)

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: list[Any], _properties: Any
    ) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        self.subscribed = not refused
        if refused:
            self.state = f"the broker refuses our subscription: {', '.join(refused)}"
            _log.error("%s", self.state)

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if not self.connected:
            if not self.state.startswith("the broker refuses"):
                self.state = f"the broker closed the connection before answering: {reason}"
            return
        self.state = f"the connection was lost: {reason}"
        if reason.value == _TAKEN_OVER:
            self.state = (
                f"another program took the client id {self._broker.client_id}: "
                "give each its own mqtt_client_id"
            )
