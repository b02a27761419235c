"""What devices said in a span of time, as lines of the inbox: one line a message.

A line is {"received_at", "topic", "payload", "qos", "retain"}. A device's day is sent as an array
of readings (no more than LINE_ENTRIES each); events and births are single messages.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import orjson

from demo_fleet.assembly import DemoSet
from demo_fleet.machine import FOREVER, events, readings
from demo_fleet.machine.noise import Floats, Ints, one
from demo_fleet.papers import iso
from demo_fleet.schedule import DAY_S

LINE_ENTRIES = 600
"""Entries of an array: well under the contract's 256 kB and 10,000 entries."""
DELIVERY_S = 2
LATE_S = 120
REPEATED = 3
WHOLE = frozenset({"start_attempts", "in_auto", "running"})
UNITS = {"_v": " V", "_hz": " Hz", "_h": " h", "_c": "", "_pct": " %", "_kw": " kW"}
UPTIME_S = 36
FIRMWARE = "2.3.1"


def topic(s: DemoSet, device: str, kind: str) -> str:
    return f"hourhand/{s.place.group}/{device}/{kind}"


def line(topic_: str, payload: Any, received_at: int, retain: bool = False) -> bytes:
    """One line of the inbox, with its line feed."""
    whole = {
        "received_at": received_at,
        "topic": topic_,
        "payload": payload,
        "qos": 1,
        "retain": retain,
    }
    return orjson.dumps(whole, option=orjson.OPT_APPEND_NEWLINE)


def birth(s: DemoSet, at: int, device: str = "") -> dict[str, Any]:
    """The payload of a device's birth."""
    payload: dict[str, Any] = {"state": "online", "firmware": FIRMWARE, "at": iso(at)}
    if s.declared or device:
        h = s.habit
        payload["habit"] = {
            "mode": h.mode,
            "standing_s": h.standing_s,
            "running_s": h.running_s,
            "heartbeat_s": h.heartbeat_s,
        }
    return payload


def status_lines(s: DemoSet, until: int) -> list[bytes]:
    """The retained statuses that a service would be given on subscribing at `until`."""
    script, device = s.machine.script, s.place.device
    online = min(until, script.silent_from) - int((1 + 12 * one(s.machine.plate.seed, 91)) * DAY_S)
    found = [line(topic(s, device, "status"), birth(s, online), until, retain=True)]
    if script.board_swap < FOREVER:
        old = topic(s, s.old_device, "status")
        at = script.board_swap - DAY_S
        found.append(line(old, birth(s, at, s.old_device), script.board_swap, retain=True))
    if script.silent_from < until:
        will = {"state": "offline"}
        found.append(line(topic(s, device, "status"), will, until, retain=True))
    return found


def entries(t: Ints, values: dict[str, Floats], as_text: bool = False) -> list[dict[str, Any]]:
    """Readings as the contract writes them: {"at": epoch seconds, "values": {channel: value}}."""
    names = tuple(values)
    columns = []
    for name, column in values.items():
        if as_text:
            columns.append([_text(name, v) for v in column.tolist()])
        else:
            whole = name in WHOLE or not column.any()
            columns.append((column.astype(np.int64) if whole else column).tolist())
    rows = zip(t.tolist(), zip(*columns, strict=True), strict=True)
    return [{"at": at, "values": dict(zip(names, row, strict=True))} for at, row in rows]


def _text(name: str, value: float) -> str:
    """A number as some devices write it: decimal comma and unit."""
    unit = next((u for end, u in UNITS.items() if name.endswith(end)), "")
    return f"{value:g}".replace(".", ",") + unit


def event_payload(s: DemoSet, event: dict[str, Any]) -> dict[str, Any]:
    """An event with its time as the device's clock has it."""
    return event | {"at": device_time(s, event["at"])}


def device_time(s: DemoSet, t: int) -> str:
    """ISO time as the device's clock has it: since its restart, where it lost the time."""
    lost = s.machine.script.clock_lost
    return iso(t - lost + UPTIME_S) if t >= lost else iso(t)


def lines(s: DemoSet, start: int, end: int) -> Iterator[bytes]:
    """Everything one set's device said in [start, end), newest day first, in no promised order."""
    t, values = readings(s.machine, start, end)
    script = s.machine.script
    late = _inside(t, script.offline)
    single = t >= script.clock_lost
    blink = int(np.searchsorted(t, script.clock_blink))
    if blink < len(t) and start <= script.clock_blink < end:
        single[blink] = True
    plain = ~late & ~single
    as_text = s.plays == "numbers_as_text"
    yield from _day_lines(s, t[plain], {c: v[plain] for c, v in values.items()}, as_text)
    yield from _late_lines(s, t, values, start, end)
    for i in np.flatnonzero(single).tolist():
        yield _single_line(s, int(t[i]), {c: v[i : i + 1] for c, v in values.items()})
    for event in events(s.machine, start, end):
        at = event["at"]
        received = (
            at + 1 + max((b + LATE_S - at for a, b in script.offline if a <= at < b), default=0)
        )
        yield line(topic(s, s.device_at(at), "event"), event_payload(s, event), received)


def _inside(t: Ints, spans: tuple[tuple[int, int], ...]) -> np.ndarray:
    inside = np.zeros(len(t), bool)
    for begin, end in spans:
        inside |= (t >= begin) & (t < end)
    return inside


def _day_lines(s: DemoSet, t: Ints, values: dict[str, Floats], as_text: bool) -> Iterator[bytes]:
    """Whole days as arrays, newest day first; the boards of one day apart."""
    if not len(t):
        return
    swap = s.machine.script.board_swap
    key = t // DAY_S * 2 + (t >= swap)
    cuts = np.flatnonzero(np.diff(key)) + 1
    bounds = [0, *cuts.tolist(), len(t)]
    for low, high in zip(bounds[-2::-1], bounds[:0:-1], strict=True):
        whole = entries(t[low:high], {c: v[low:high] for c, v in values.items()}, as_text)
        for i in range(0, len(whole), LINE_ENTRIES):
            part = whole[i : i + LINE_ENTRIES]
            last = int(t[low + i + len(part) - 1])
            yield line(topic(s, s.device_at(last), "readings"), part, last + DELIVERY_S)


def _late_lines(
    s: DemoSet, t: Ints, values: dict[str, Floats], start: int, end: int
) -> Iterator[bytes]:
    """What was kept while the line was down: one array in no order, some of it twice."""
    for begin, back in s.machine.script.offline:
        if back <= start or begin >= end:
            continue
        held = np.flatnonzero((t >= begin) & (t < back))
        order = np.argsort(held * 7_919 % 10_007, kind="stable")
        held = np.concatenate((held[order], held[:REPEATED]))
        if len(held):
            kept = entries(t[held], {c: v[held] for c, v in values.items()})
            yield line(topic(s, s.place.device, "readings"), kept, back + LATE_S)


def _single_line(s: DemoSet, t: int, values: dict[str, Floats]) -> bytes:
    """One reading of a device whose clock counts from its restart in 1970."""
    row = entries(np.array([t], np.int64), values)[0]
    lost = t >= s.machine.script.clock_lost
    at = device_time(s, t) if lost else iso(UPTIME_S)
    return line(topic(s, s.place.device, "readings"), row | {"at": at}, t + 1)
