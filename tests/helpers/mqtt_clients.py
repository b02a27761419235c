"""Plain MQTT clients that speak to the embedded broker, and the broker in a process of its own."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from places import ROOT

WAIT_S = 10.0
WINDOW = 3
"""Receive Maximum of the clients that speak MQTT 5."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(true: Callable[[], bool]) -> bool:
    """Whether it came true within WAIT_S."""
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.02)
    return true()


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Client:
    """A client that keeps what it is told. manual: it acknowledges nothing by itself."""

    def __init__(
        self,
        port: int,
        name: str,
        topic: str = "",
        clean: bool = True,
        version: MQTTProtocolVersion = mqtt.MQTTv311,
        manual: bool = False,
    ) -> None:
        self.told: list[mqtt.MQTTMessage] = []
        self.present: list[bool] = []
        self.subscribed = threading.Event()
        newer = version == mqtt.MQTTv5
        self.mqtt = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            clean_session=None if newer else clean,
            protocol=version,
            manual_ack=manual,
        )
        self.mqtt.on_message = lambda c, u, m: self.told.append(m)
        self.mqtt.on_subscribe = lambda *_: self.subscribed.set()

        def connected(
            client: mqtt.Client, _u: object, flags: mqtt.ConnectFlags, _c: object, _p: object
        ) -> None:
            self.present.append(flags.session_present)
            if topic:
                client.subscribe(topic, qos=1)
            else:
                self.subscribed.set()

        self.mqtt.on_connect = connected
        more: dict[str, Any] = {}
        if newer:
            more["clean_start"], more["properties"] = clean, properties_of(PacketTypes.CONNECT)
            more["properties"].SessionExpiryInterval = 0 if clean else 3_600
            more["properties"].ReceiveMaximum = WINDOW
        self.mqtt.connect("127.0.0.1", port, **more)
        self.mqtt.loop_start()
        assert self.subscribed.wait(WAIT_S)

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()
        self._let_go()

    def kill(self) -> None:
        """Gone without a goodbye."""
        self.mqtt.loop_stop()
        lost = self.mqtt.socket()
        assert lost is not None
        lost.close()
        self._let_go()

    def _let_go(self) -> None:
        """Without callbacks into us the client closes its inner sockets as soon as we are gone."""
        self.mqtt.on_message = self.mqtt.on_subscribe = self.mqtt.on_connect = None


def properties_of(packet: int) -> Any:
    """Empty properties of MQTT 5 for a kind of packet; their names are attributes made as they are set."""
    made: Any = Properties
    return made(packet)


@contextlib.contextmanager
def broker_process() -> Iterator[int]:
    """The broker as the demo runs it: a process of its own. Its port."""
    chosen = free_port()
    command = [sys.executable, "-m", "demo_fleet", "broker", "--port", str(chosen)]
    process = subprocess.Popen(command, cwd=ROOT)
    assert until(lambda: answers(chosen))
    yield chosen
    process.terminate()
    assert process.wait(WAIT_S) == 0
