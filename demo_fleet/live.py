"""The fleet going on live: each device on a connection of its own, at QoS 1, as devices do."""

from __future__ import annotations

import json
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from demo_fleet.assembly import DemoSet, Fleet
from demo_fleet.lines import birth, device_time, entries, event_payload, topic
from demo_fleet.machine import events, readings

AHEAD_S = 300
"""What is to be said is worked out for so long ahead."""
TICK_S = 1.0
REMEMBER_EVERY_S = 10
KEEPALIVE_S = 60


class Device:
    """One device's connection and what it has still to say, in time order."""

    def __init__(self, s: DemoSet, since: int) -> None:
        self.set = s
        self.planned_until = since
        self.waiting: deque[tuple[int, str, bytes]] = deque()
        name = s.place.device
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name)
        self.client.username_pw_set(name, name)
        self.client.max_queued_messages_set(0)
        self.client.reconnect_delay_set(1, 30)
        will = orjson.dumps({"state": "offline"})
        self.client.will_set(topic(s, name, "status"), will, qos=1, retain=True)

    def connect(self, host: str, port: int, now: Callable[[], int]) -> None:
        """Connect in the background, again and again; say the birth on every connection."""
        said = topic(self.set, self.set.place.device, "status")

        def born(client: mqtt.Client, *_: object) -> None:
            client.publish(said, orjson.dumps(birth(self.set, now())), qos=1, retain=True)

        self.client.on_connect = born
        self.client.connect_async(host, port, KEEPALIVE_S)
        self.client.loop_start()

    def speak(self, now: int) -> int:
        """Publish what is due; returns how many messages."""
        if self.planned_until <= now:
            self._plan(now + AHEAD_S)
        count = 0
        while self.waiting and self.waiting[0][0] <= now:
            _, where, payload = self.waiting.popleft()
            self.client.publish(where, payload, qos=1)
            count += 1
        return count

    def _plan(self, until: int) -> None:
        said = [*_readings(self.set, self.planned_until, until)]
        said += _events(self.set, self.planned_until, until)
        self.waiting.extend(sorted(said))
        self.planned_until = until

    def close(self) -> None:
        """A clean goodbye: the broker then sends no last will."""
        self.client.disconnect()
        self.client.loop_stop()


def _readings(s: DemoSet, start: int, until: int) -> list[tuple[int, str, bytes]]:
    """(moment, topic, payload) of the single readings in [start, until)."""
    t, values = readings(s.machine, start, until)
    where = topic(s, s.place.device, "readings")
    rows = entries(t, values, s.plays == "numbers_as_text")
    found = []
    for row in rows:
        at = row["at"]
        payload: dict[str, Any] = row | {"at": device_time(s, at)}
        if s.habit.mode == "sleeping":
            payload["next_s"] = s.habit.standing_s
        found.append((at, where, orjson.dumps(payload)))
    return found


def _events(s: DemoSet, start: int, until: int) -> list[tuple[int, str, bytes]]:
    where = topic(s, s.place.device, "event")
    found = events(s.machine, start, until)
    return [(e["at"], where, orjson.dumps(event_payload(s, e))) for e in found]


def go_live(
    fleet: Fleet,
    since: int,
    address: tuple[str, int],
    now: Callable[[], int],
    stopping: threading.Event,
    memory: Path,
) -> None:
    """Publish everything from `since` on, until `stopping` is set.

    address: host and port of the broker. memory: file that remembers how far we were.
    A set that has gone silent has no connection.
    """
    devices = [Device(s, since) for s in fleet.sets if s.machine.script.silent_from > since]
    for device in devices:
        device.connect(*address, now)
        stopping.wait(0.02)
    remembered = 0
    while not stopping.wait(TICK_S):
        moment = now()
        for device in devices:
            device.speak(moment)
        if moment - remembered >= REMEMBER_EVERY_S:
            remember(memory, moment)
            remembered = moment
    for device in devices:
        device.close()


def remember(memory: Path, until: int) -> None:
    """Everything up to and with second `until` has been handed over."""
    part = memory.with_name(memory.name + ".part")
    part.write_text(json.dumps({"until": until + 1}))
    part.replace(memory)


def remembered_until(memory: Path) -> int | None:
    """First second not yet handed over by an earlier start; None where there was none."""
    try:
        return int(json.loads(memory.read_text())["until"])
    except FileNotFoundError:
        return None
