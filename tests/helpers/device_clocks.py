"""Devices with clocks of their own: what they write, and when it is received. Knows no rule of ours.

A device measures once a step; `Written` says how its clock writes a true moment, `Line` how long
its messages are on the way and how many go together. Truth is the list of true moments.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from intake_desk import Desk, msg

from fleet.registry.register import import_units
from ingest.wire import Message

Write = Callable[[float], object]
"""What the clock of a device writes at a true moment [s UTC]."""


def utc_text(ahead_s: float = 0.0) -> Write:
    """ISO 8601 with a Z."""
    return lambda t: datetime.fromtimestamp(int(t + ahead_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def bare_text(zone: str, ahead_s: float = 0.0) -> Write:
    """ISO 8601 without a zone, the wall clock of a zone."""
    there = ZoneInfo(zone)
    return lambda t: datetime.fromtimestamp(int(t + ahead_s), there).strftime("%Y-%m-%dT%H:%M:%S")


def wall_as_utc(zone: str) -> Write:
    """The wall clock of a zone, with a Z beside it that is not true."""
    bare = bare_text(zone)
    return lambda t: f"{bare(t)}Z"


def standard_time(offset_s: int) -> Write:
    """A wall clock that knows no summer time, without a zone."""
    return lambda t: (datetime.fromtimestamp(int(t), UTC) + timedelta(seconds=offset_s)).strftime(
        "%Y-%m-%dT%H:%M:%S"
    )


def number(parts: int = 1) -> Write:
    """An epoch number in so many parts of a second."""
    return lambda t: int(t * parts)


def float32(parts: int = 1) -> Write:
    """An epoch number that went through 32 bits of floating point."""
    return lambda t: int(struct.unpack("f", struct.pack("f", t * parts))[0])


def drifting(gains_s_month: float, since: float, ahead_s: float = 0.0) -> Write:
    """A Z time of a clock that gains so many seconds in 30 days."""
    return lambda t: utc_text(ahead_s + gains_s_month * (t - since) / (30 * 86_400))(t)


@dataclass(frozen=True)
class Line:
    """How messages come: delay [s] drawn between two bounds; entries in one message (1: single)."""

    delay_s: tuple[float, float] = (0.2, 3.0)
    together: int = 1


def sent(
    moments: Iterable[int],
    write: Write,
    value: Callable[[int], float],
    line: Line = Line(),
    seed: int = 0,
) -> list[tuple[int, Message]]:
    """(receipt, message) in order of sending: battery_v measured at true moments [s UTC]."""
    rng = random.Random(seed)
    found: list[tuple[int, Message]] = []
    kept: list[dict[str, object]] = []
    for moment in moments:
        kept.append({"at": write(moment), "values": {"battery_v": value(moment)}})
        if len(kept) >= line.together:
            received = int(moment + rng.uniform(*line.delay_s))
            payload: object = kept[0] if line.together == 1 else kept
            found.append((received, msg(payload, at=received)))
            kept = []
    return found


def deliver(desk: Desk, messages: Iterable[tuple[int, Message]]) -> None:
    """Hand messages in as they are received."""
    for received, message in messages:
        desk.take(message, now=received)


def at_site(desk: Desk, zone: str, unit: str = "g1", now: int = 0) -> None:
    """Register a set in a time zone, with the device of its name."""
    row = {
        "customer": "C",
        "site": f"S {unit} {zone}",
        "unit": unit,
        "nominal_v": 230,
        "nominal_hz": 50,
        "running_signal": "ac_v",
        "running_on": 200,
        "service_plan": "air_spark",
        "time_zone": zone,
    }
    report = import_units(desk.registry, [row], now, "test")
    assert report.ok, report.problems
