"""Days of volts and hertz, and the verdict on them."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
from one_unit import T0, UNIT, inputs

from fleet.findings import ROWS
from fleet.model import (
    Calibration,
    DeviceEvent,
    Finding,
    Record,
    RunningSignal,
    Series,
    SignalChannel,
    Unit,
)
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import Assessment, assess, day_facts, habit_of
from scheduler.day import Day, digest

DAY_S = 86_400


DAY0 = T0 // DAY_S


KNOWS = msgspec.structs.replace(
    UNIT,
    running=RunningSignal(first=SignalChannel("running", 1.0, 0.5)),
    cylinders=4,
    cooling="liquid",
    rated_kw=20.0,
    engine_hours=100.0,
)


CHECK = Calibration(id="c", fitting="F", channel="ac_v", gain=1.0, offset=0.0, from_at=T0 - 1)


def run_day(
    number: int, volts: float = 231.0, hertz: float = 50.5, **over: Any
) -> dict[str, Series]:
    """A day with a run of 20 min at 10:00; swing: width of the hertz; legs, lines: more channels."""
    t0 = (DAY0 + number) * DAY_S
    t = np.unique(np.concatenate([np.arange(0, DAY_S, 900), np.arange(36_000, 37_200, 60)])) + t0
    t = t.astype(np.int64)
    on = (t >= t0 + 36_000) & (t < t0 + 37_200)
    rng = np.random.default_rng(number)
    swing = over.get("swing", 0.0) / 2 * np.sin(rng.uniform(0, 2 * np.pi, len(t)))
    found = {
        "running": Series(t, on.astype(float)),
        "ac_v": Series(
            t, np.where(on, volts + 0.2 * rng.standard_normal(len(t)), over.get("rest", 0.0))
        ),
        "frequency_hz": Series(
            t, np.where(on, hertz + swing + 0.02 * rng.standard_normal(len(t)), 0.0)
        ),
    }
    for name, value in over.get("more", {}).items():
        found[name] = Series(t, np.where(on, value, 0.0))
    return found


def known(unit: Unit = KNOWS, checked: bool = True, records: tuple[Record, ...] = ()) -> UnitInputs:
    return msgspec.structs.replace(
        inputs(T0, 231.0, unit), calibrations=(CHECK,) if checked else (), records=records
    )


def verdict(
    days: list[dict[str, Series]],
    given: UnitInputs | None = None,
    events: tuple[DeviceEvent, ...] = (),
) -> Assessment:
    """Assessed in the evening of the last day."""
    given = given or known()
    found: list[Day] = []
    for series in days:
        day = int(series["ac_v"].t[0]) // DAY_S
        told = [e for e in events if e.at // DAY_S == day]
        facts = day_facts(given, habit_of(given, found[-13:]))
        found.append(digest(facts, day, series, told, found[-1].carry if found else None))
    now = int(days[-1]["ac_v"].t[-1]) + 60
    pulse = msgspec.structs.replace(given.pulses[0], heard_at=now - 60, newest_at=now - 60)
    return assess(msgspec.structs.replace(given, pulses=(pulse,)), found, now)


def kinds(seen: Assessment) -> dict[str, str]:
    mine = {row.kind for row in ROWS if row.family == "supply"}
    return {f.kind: f.severity for f in seen.findings if f.kind in mine}


def one(seen: Assessment, kind: str) -> Finding:
    return next(f for f in seen.findings if f.kind == kind)


def record(kind: str, at: int, **facts: Any) -> Record:
    return Record(id=f"r{at}", at=at, by="Dee", unit="U", kind=kind, facts=facts)  # type: ignore[arg-type]
