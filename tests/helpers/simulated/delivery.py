"""What is heard: readings made on a cadence that jitters, sent alone or in batches, over links that fail.

A line is what a recorder beside the broker would write: the receipt, the topic, the payload, the flags.
"""

from __future__ import annotations

import json
import random
from bisect import bisect_right
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from simulated.lives import Life, World, battery, hours, inside, volts

ENTRIES = 60
"""Readings in a message at most, where a device sends what it kept."""


def recording(made: World, path: Path) -> int:
    """Write the recording of a world; returns the number of its lines."""
    lines: list[tuple[int, int, str]] = []
    for n, life in enumerate(made.lives):
        rnd = random.Random(f"sent-{made.seed}-{n}")
        lines += [(at, n, line) for at, line in _sent(life, made, rnd)]
    lines.sort(key=lambda one: (one[0], one[1]))
    with path.open("w") as file:
        file.writelines(line for _, _, line in lines)
    return len(lines)


def _sent(life: Life, made: World, rnd: random.Random) -> Iterator[tuple[int, str]]:
    clock = _clock(life, made, rnd)
    yield from _readings(life, made, rnd, clock)
    yield from _events(life, made, rnd, clock)
    yield from _wills(life, made, rnd)


def _moments(life: Life, made: World, rnd: random.Random) -> list[int]:
    """When the device measures."""
    m = life.manner
    found: list[int] = []
    at = made.begin + rnd.random() * m.standing_s
    while at < made.end:
        found.append(int(at))
        cadence = m.running_s if inside(life.runs, int(at)) else m.standing_s
        at += max(5.0, cadence + rnd.gauss(0.0, min(m.jitter_s, 0.2 * cadence)))
    if m.on_change:
        turns = [t + rnd.randrange(1, 4) for spell in life.runs for t in spell]
        if m.senses_mains:
            turns += [
                t + rnd.randrange(1, 4) for a, b in life.mains_off if b - a > 3 for t in (a, b)
            ]
        found += [t for t in turns if made.begin <= t < made.end]
    return sorted(set(found))


Clock = Callable[[int], str | None]
"""What a device writes of a moment; None: it has no clock."""


def _clock(life: Life, made: World, rnd: random.Random) -> Clock:
    """A device has one clock, for its readings and its events."""
    kind = life.manner.clock
    drift = rnd.choice((-1, 1)) * rnd.uniform(5e-6, 40e-6)
    lost = made.begin + rnd.randrange(3, 30) * 3600

    def told(at: int) -> str | None:
        stamp: float = at
        if kind == "none":
            return None
        if kind == "ahead":
            stamp = at + 75
        elif kind == "behind":
            stamp = at - 200
        elif kind == "drifts":
            stamp = at + drift * (at - made.begin + 30 * 86_400)
        elif kind == "resets" and lost <= at < lost + 20_000:
            stamp = 946_684_800 + at - lost
        return datetime.fromtimestamp(int(stamp), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    return told


def _readings(
    life: Life, made: World, rnd: random.Random, clock: Clock
) -> Iterator[tuple[int, str]]:
    m, held = life.manner, list[dict[str, object]]()
    topic = f"hourhand/main/{life.unit}/readings"
    for at in _moments(life, made, rnd):
        values: dict[str, float] = {
            "ac_v": round(max(0.0, volts(life, at, rnd)), 1),
            "battery_v": round(battery(life, at, rnd), 2),
            "run_hours_h": hours(life, at),
        }
        if m.senses_mains:
            off = inside(life.mains_off, at)
            values["mains_v"] = round(rnd.gauss(0, 0.2) ** 2 if off else rnd.gauss(236, 2.5), 1)
        entry: dict[str, object] = {"values": values}
        stamp = clock(at)
        if stamp is not None:
            entry["at"] = stamp
        cut = next((b for a, b in life.cut if a <= at < b), None)
        if cut is not None:
            if m.keeps and stamp is not None:
                held.append(entry)
            continue
        held.append(entry)
        if len(held) < m.batch and not (m.on_change and len(held) == 1 and m.batch == 1):
            continue
        came = at + _latency(rnd)
        while held:
            some, held = held[:ENTRIES], held[ENTRIES:]
            payload = some[0] if len(some) == 1 else some
            yield int(came), _line(int(came), topic, payload)
            came += rnd.uniform(0.2, 2.0)


def _events(life: Life, made: World, rnd: random.Random, clock: Clock) -> Iterator[tuple[int, str]]:
    if not life.manner.tells_events:
        return
    topic = f"hourhand/main/{life.unit}/event"
    told = [(f.at + 75, "failed_to_start") for f in life.failures]
    told += [(a, "crank") for a, _ in life.cranks]
    for at, name in told:
        until = next((b for a, b in life.cut if a <= at < b), None)
        if until is not None and not life.manner.keeps:
            continue
        came = int((at if until is None else until + rnd.randrange(2, 40)) + _latency(rnd))
        stamp = clock(at)
        timed = {} if stamp is None else {"at": stamp}
        if came < made.end:
            yield came, _line(came, topic, {**timed, "event": name})


def _wills(life: Life, made: World, rnd: random.Random) -> Iterator[tuple[int, str]]:
    """The broker says that a device is away a keep-alive and a half after it is."""
    if not life.manner.has_will:
        return
    topic = f"hourhand/main/{life.unit}/status"
    born = {"state": "online"}
    yield made.begin, _line(made.begin, topic, born)
    for a, b in life.cut:
        if b - a > 100 and b < made.end - 10:
            yield a + 90, _line(a + 90, topic, {"state": "offline"})
            yield b + 1, _line(b + 1, topic, born)


def _latency(rnd: random.Random) -> float:
    return rnd.lognormvariate(-0.5, 0.8) if rnd.random() < 0.97 else rnd.uniform(5, 60)


def _line(at: int, topic: str, payload: object) -> str:
    line = {"received_at": at, "topic": topic, "payload": payload, "qos": 1, "retain": False}
    return json.dumps(line, separators=(",", ":")) + "\n"


def heard_before(moments: list[int], at: int) -> int | None:
    """The newest of rising moments at or before one."""
    n = bisect_right(moments, at)
    return moments[n - 1] if n else None
