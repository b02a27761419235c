"""The floor of the ingest bench: a paho subscriber that only counts, and nothing else imported.

`python -m ingest.bench.floor PORT MESSAGES WINDOW`: default loop, automatic acknowledgement.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

CLIENT = "bench"
GIVE_UP_S = 120.0


def floor(port: int, messages: int, window: int) -> dict[str, float]:
    """Count that many messages of the waiting session; seconds from CONNACK to the last one."""
    client = new_client()
    done = threading.Event()
    count = 0
    began = 0.0

    def on_connect(*_: Any) -> None:
        nonlocal began
        began = time.perf_counter()

    def on_message(*_: Any) -> None:
        nonlocal count
        count += 1
        if count == messages:
            done.set()

    client.on_connect, client.on_message = on_connect, on_message
    before = time.process_time()
    connect(client, port, window)
    client.loop_start()
    finished = done.wait(GIVE_UP_S)
    seconds, cpu_s = time.perf_counter() - began, time.process_time() - before
    client.disconnect()
    client.loop_stop()
    assert finished, f"only {count} messages came"
    return {"seconds": seconds, "cpu_s": cpu_s}


def queue(port: int, window: int, publish: Callable[[], None]) -> None:
    """Make a fresh persistent session and let messages be published into it."""
    for clean in (True, False):
        client = new_client()
        ready = threading.Event()
        client.on_connect = lambda c, *_: c.subscribe("hourhand/+/+/+", 1)
        client.on_subscribe = lambda *_, ready=ready: ready.set()
        connect(client, port, window, clean=clean)
        client.loop_start()
        if not ready.wait(10):
            raise ConnectionError("the broker does not answer")
        client.disconnect()
        client.loop_stop()
    publish()


def new_client() -> mqtt.Client:
    """The bench's one MQTT 5 client."""
    return mqtt.Client(CallbackAPIVersion.VERSION2, CLIENT, protocol=mqtt.MQTTv5)


def connect(client: mqtt.Client, port: int, window: int, clean: bool = False) -> None:
    """To the broker on loopback, with a session that outlives the connection."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3_600
    properties.ReceiveMaximum = window
    client.connect("127.0.0.1", port, clean_start=clean, properties=properties)


if __name__ == "__main__":
    print(json.dumps(floor(*map(int, sys.argv[1:4]))))
