"""Small inputs for the rules of a day: series from pairs, facts of a unit, days in a row."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import msgspec
import numpy as np

from fleet.model import (
    DeviceEvent,
    Fitting,
    Habit,
    Run,
    RunningSignal,
    Series,
    SignalChannel,
    StartDemand,
)
from scheduler.day import Carry, Day, DayFacts, digest

DAY_S = 86_400
DAY = 20_000
"""A day like any other: 2024-10-04 UTC."""
MIDNIGHT = DAY * DAY_S
STEADY = Habit(mode="steady", standing_s=600, running_s=60)
MINUTE = Habit(mode="steady", standing_s=60, running_s=60)
ON_CHANGE = Habit(mode="on_change", heartbeat_s=86_400)
AC = RunningSignal(first=SignalChannel("ac_v", 200.0, 180.0))
KNOWS = RunningSignal(first=SignalChannel("running", 1.0, 0.9))


def clock(text: str, day: int = DAY) -> int:
    """UTC seconds of HH:MM or HH:MM:SS on a day."""
    parts = [int(part) for part in text.split(":")] + [0]
    return day * DAY_S + parts[0] * 3600 + parts[1] * 60 + parts[2]


def pairs(*points: tuple[str | int, float]) -> Series:
    """A series from (clock text or UTC seconds, value)."""
    return series((clock(t) if isinstance(t, str) else t, v) for t, v in points)


def series(points: Iterable[tuple[int, float]]) -> Series:
    rows = sorted(points)
    return Series(
        np.array([t for t, _ in rows], np.int64), np.array([v for _, v in rows], np.float64)
    )


def facts(**over: Any) -> DayFacts:
    known: dict[str, Any] = {
        "unit": "u1",
        "signal": KNOWS,
        "habit": MINUTE,
        "nominal_v": 230.0,
        "engine_class": "liquid_diesel",
        "fittings": (Fitting(id="f1", device="d1", unit="u1"),),
    }
    return DayFacts(**(known | over))


def event(text: str | int, name: str, **over: Any) -> DeviceEvent:
    at = clock(text) if isinstance(text, str) else text
    return DeviceEvent(device="d1", at=at, event=name, **over)  # type: ignore[arg-type]


def cut(whole: Mapping[str, Series], day: int) -> dict[str, Series]:
    """One UTC day of a longer stretch."""
    out = {}
    for name, one in whole.items():
        keep = (one.t >= day * DAY_S) & (one.t < (day + 1) * DAY_S)
        if keep.any():
            out[name] = Series(one.t[keep], one.v[keep])
    return out


def walk(
    known: DayFacts,
    whole: Mapping[str, Series],
    events: Sequence[DeviceEvent] = (),
    days: Iterable[int] | None = None,
) -> list[Day]:
    """Digest the days in a row, each from the open state of the one before."""
    if days is None:
        at = [int(t) for one in whole.values() for t in (one.t[0], one.t[-1])]
        at += [e.at for e in events]
        days = range(min(at) // DAY_S, max(at) // DAY_S + 1)
    carry: Carry | None = None
    out = []
    for day in days:
        out.append(digest(known, day, cut(whole, day), events, carry))
        carry = out[-1].carry
    return out


def runs_of(days: Sequence[Day]) -> list[Run]:
    return [run for day in days for run in day.runs]


def starts_of(days: Sequence[Day]) -> list[StartDemand]:
    return [demand for day in days for demand in day.starts]


def gained_h(days: Sequence[Day]) -> float:
    """The sum of the hour meter's rises [h]."""
    return sum(rise.hours_h for day in days for rise in day.hours)


def refused(build: Any, **values: Any) -> str:
    """The sentence with which a parameter record refuses values."""
    try:
        msgspec.structs.replace(build, **values)
    except ValueError as fault:
        return str(fault)
    raise AssertionError(f"{values} was taken")
