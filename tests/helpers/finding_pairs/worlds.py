"""One invented set, told in raw readings: what stands, what runs, who was there.

The set is a healthy one until a world says otherwise: 20 kW, 230 V, 50 Hz, liquid-cooled diesel with a
float charger, exercised every Monday at 10:00 for 20 min, a device that reports each quarter of an hour
standing and each minute running. It is Tuesday, 24 November 2026, noon.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import (
    Calibration,
    Customer,
    DeviceEvent,
    EventName,
    Finding,
    Fitting,
    Habit,
    Latest,
    Pulse,
    Record,
    RecordKind,
    RunningSignal,
    Series,
    ServicePlan,
    SignalChannel,
    Site,
    Unit,
)
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import assess, day_facts
from scheduler.day import Day, digest

Floats = NDArray[np.float64]
Value = float | Callable[[Floats], Floats]
"""A steady value, or one out of days before now (rising, 0 is now; a run's value: seconds of the run)."""
Shown = Callable[[Floats, Floats], Floats]
"""What an hour meter shows, out of UTC seconds and the hours run until then."""

DAY_S, HOUR_S, MIN_S = 86_400, 3600, 60
ZONE = "Europe/London"
NOW = int(datetime(2026, 11, 24, 12, tzinfo=UTC).timestamp())
DAYS = 22
UNIT = Unit(
    id="gs-1",
    site="mill",
    customer="farm",
    nominal_v=230.0,
    nominal_hz=50.0,
    service_plan="",
    device="box-1",
    cooling="liquid",
    fuel="diesel",
    cylinders=4,
    rated_kw=20.0,
    tank_l=200.0,
    criticality="home",
    charger="float",
    battery_fitted="2024-05-06",
    exercise="DTSTART:20260105T100000\nRRULE:FREQ=WEEKLY;BYDAY=MO",
    exercise_minutes=20.0,
    engine_hours=400.0,
    engine_hours_at=NOW - 400 * DAY_S,
    running=RunningSignal(first=SignalChannel("running", 0.5, 0.5)),
    habit=Habit(mode="steady", standing_s=900, running_s=60, source="register"),
)
STANDING: Mapping[str, Value] = {
    "running": 0.0,
    "battery_v": 13.6,
    "mains_v": 233.0,
    "ac_v": 0.0,
    "frequency_hz": 0.0,
    "load_kw": 0.0,
    "fuel_pct": 80.0,
    "in_auto": 1.0,
    "ambient_temp_c": 8.0,
}
TURNING: Mapping[str, Value] = {
    "running": 1.0,
    "battery_v": 14.2,
    "ac_v": 231.0,
    "frequency_hz": 50.2,
    "load_kw": 0.0,
}
METERED = ("ac_v", "battery_v")
"""Channels a technician has held a meter to."""


def when(text: str) -> int:
    """UTC seconds of '2026-11-23 10:00', a time at the site (winter: UTC)."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def ago(*, days: float = 0, hours: float = 0, minutes: float = 0) -> int:
    """UTC seconds of a moment before now."""
    return NOW - round(days * DAY_S + hours * HOUR_S + minutes * MIN_S)


class Ran(msgspec.Struct, frozen=True, kw_only=True):
    """A run: from `start` (UTC s) for so many minutes (inf: it goes on), in a row of attempts.

    values: what differs from a healthy run; crank_v, crank_s: the starter's dip and time of the last
    attempt. failed: the engine never ran, and the device said so.
    """

    start: int
    minutes: float = 20.0
    values: Mapping[str, Value] = {}
    attempts: int = 1
    crank_v: float | None = 10.6
    crank_s: float | None = 1.2
    failed: bool = False


def mondays(weeks: int = 3, **same: Any) -> tuple[Ran, ...]:
    """The exercises of the last weeks, Mondays at 10:00."""
    newest = when("2026-11-23 10:00")
    return tuple(Ran(start=newest - 7 * DAY_S * n, **same) for n in reversed(range(weeks)))


class World(msgspec.Struct, frozen=True, kw_only=True):
    """One set. caption: what happens, in a line. others: the kinds that rightly speak too.

    standing: values at rest (where they differ); lost: channels the device does not have; heard_to:
    its last message; extra: readings laid over the rest [UTC s -> value]; meter_h: what the hour meter
    shows at every reading, out of (time, hours run until then); pulse: what ingest noted of the device.
    """

    caption: str
    others: frozenset[str] = frozenset()
    days: int = DAYS
    unit: Mapping[str, Any] = {}
    standing: Mapping[str, Value] = {}
    running: Mapping[str, Value] = {}
    runs: tuple[Ran, ...] = mondays()
    lost: tuple[str, ...] = ()
    extra: Mapping[str, Mapping[int, float]] = {}
    meter_h: Shown | None = None
    events: tuple[DeviceEvent, ...] = ()
    records: tuple[Record, ...] = ()
    metered: tuple[str, ...] = METERED
    plan: ServicePlan | None = None
    heard_to: int = NOW - MIN_S
    silent: tuple[tuple[int, int], ...] = ()
    pulse: Mapping[str, Any] = {}


def event(name: EventName, at: int, cause: str = "", **values: float) -> DeviceEvent:
    return DeviceEvent(
        device="box-1", at=at, event=name, cause=cause, values=values, received_at=at
    )


def record(kind: RecordKind, at: int, **facts: Any) -> Record:
    return Record(id=f"r-{kind}-{at}", at=at, by="Dee", unit="gs-1", kind=kind, facts=facts)


def findings(world: World) -> tuple[Finding, ...]:
    """What is found now, by days digested from the readings and one verdict over them."""
    series, events = readings(world), _events(world)
    known = _known(world, series)
    facts = day_facts(known, UNIT.habit or Habit())
    days: list[Day] = []
    first = (NOW - world.days * DAY_S) // DAY_S
    for day in range(first, NOW // DAY_S + 1):
        mine = {name: _of_day(one, day) for name, one in series.items()}
        days.append(digest(facts, day, mine, events, days[-1].carry if days else None))
    return assess(known, days, NOW).findings


def readings(world: World) -> dict[str, Series]:
    """Everything the device sent, by channel."""
    times = set(range(NOW - world.days * DAY_S, world.heard_to, 900)) | {world.heard_to}
    for ran in world.runs:
        if not ran.failed:
            times |= set(range(ran.start, min(_end(ran), world.heard_to) + 1, 60))
            times |= {min(_end(ran) + 60, world.heard_to)}
    for more in world.extra.values():
        times |= set(more)
    gone = world.silent
    t = np.array(sorted(x for x in times if not any(a <= x < b for a, b in gone)), np.int64)
    found: dict[str, Series] = {}
    for name in STANDING.keys() | world.standing.keys() | world.running.keys() | _run_names(world):
        found[name] = Series(t, _channel(world, name, t))
    found["run_hours_h"] = Series(t, _meter(world, t))
    found["start_attempts"] = Series(t, 60.0 + _attempts(world, t))
    for name, more in world.extra.items():
        found[name] = _laid_over(found.get(name), more)
    found |= _cranks(world)
    return {name: one for name, one in found.items() if name not in world.lost and len(one)}


def _end(ran: Ran) -> int:
    return NOW if np.isinf(ran.minutes) else ran.start + round(60 * ran.minutes)


def _run_names(world: World) -> set[str]:
    return {name for ran in world.runs for name in ran.values}


def _channel(world: World, name: str, t: NDArray[np.int64]) -> Floats:
    ago_days = (t - NOW) / DAY_S
    value = _value({**STANDING, **world.standing}.get(name, 0.0), ago_days)
    for ran in world.runs:
        if ran.failed:
            continue
        own = {**TURNING, **world.running, **ran.values}
        if name in own:
            inside = (t >= ran.start) & (t < _end(ran))
            value = np.where(inside, _value(own[name], (t - ran.start).astype(float)), value)
    return value


def _value(value: Value, x: Floats) -> Floats:
    return value(x) if callable(value) else np.full(len(x), float(value))


def _hours(world: World, t: NDArray[np.int64]) -> Floats:
    """Hours run until each moment."""
    spans = [(r.start, _end(r)) for r in world.runs if not r.failed]
    ran = sum((np.clip(t, a, b) - a for a, b in spans), np.zeros(len(t)))
    return np.asarray(ran, np.float64) / HOUR_S


def _meter(world: World, t: NDArray[np.int64]) -> Floats:
    ran = _hours(world, t)
    shown = 412.0 + ran if world.meter_h is None else world.meter_h(t.astype(np.float64), ran)
    return np.asarray(np.round(shown, 2))


def _attempts(world: World, t: NDArray[np.int64]) -> Floats:
    return np.asarray(sum((r.attempts * (t >= r.start) for r in world.runs), np.zeros(len(t))))


def _cranks(world: World) -> dict[str, Series]:
    told = [r for r in sorted(world.runs, key=lambda r: r.start) if r.crank_v is not None]
    at = np.array([r.start - 2 for r in told], np.int64)
    return {
        "crank_min_v": Series(at, np.array([r.crank_v for r in told], np.float64)),
        "crank_s": Series(at, np.array([r.crank_s or 1.2 for r in told], np.float64)),
    }


def _events(world: World) -> tuple[DeviceEvent, ...]:
    cranked = [
        event("crank", r.start - 2, crank_min_v=r.crank_v, crank_s=r.crank_s or 1.2)
        for r in world.runs
        if r.crank_v is not None and r.start <= world.heard_to
    ]
    failed = [event("failed_to_start", r.start + 60, "overcrank") for r in world.runs if r.failed]
    return tuple(sorted([*cranked, *failed, *world.events], key=lambda e: e.at))


def _laid_over(under: Series | None, more: Mapping[int, float]) -> Series:
    kept = {} if under is None else dict(zip(under.t.tolist(), under.v.tolist(), strict=True))
    kept |= more
    at = sorted(kept)
    return Series(np.array(at, np.int64), np.array([kept[x] for x in at], np.float64))


def _of_day(one: Series, day: int) -> Series:
    mine = one.t // DAY_S == day
    return Series(one.t[mine], one.v[mine])


def _known(world: World, series: Mapping[str, Series]) -> UnitInputs:
    unit = msgspec.structs.replace(UNIT, **world.unit)
    latest = {name: Latest(int(one.t[-1]), float(one.v[-1])) for name, one in series.items()}
    pulse = Pulse(
        device="box-1",
        heard_at=world.heard_to,
        newest_at=world.heard_to,
        latest=latest,
        online=True,
    )
    checks = [_check(name) for name in world.metered]
    return UnitInputs(
        unit=unit,
        site=Site(id="mill", customer="farm", name="Weir Mill", time_zone=ZONE),
        customer=Customer(id="farm", name="Weir Farm"),
        fittings=(Fitting(id="f-1", device="box-1", unit="gs-1"),),
        calibrations=tuple(_line(name) for name in world.metered),
        records=tuple(_in_order([*checks, *world.records])),
        plan=world.plan,
        pulses=(msgspec.structs.replace(pulse, **world.pulse),),
        facts_seq=1,
    )


def _in_order(records: Iterable[Record]) -> list[Record]:
    return sorted(records, key=lambda r: (r.at, r.id))


def _check(channel: str) -> Record:
    facts = {"channel": channel, "meter": [1.0], "raw": [1.0], "instrument": "Meter A"}
    return Record(
        id=f"m-{channel}", at=ago(days=300), by="Dee", unit="gs-1", kind="meter_check", facts=facts
    )


def _line(channel: str) -> Calibration:
    return Calibration(
        id=f"c-{channel}",
        fitting="f-1",
        channel=channel,
        gain=1.0,
        offset=0.0,
        from_at=1,
        meter=(12.6,),
        raw=(12.6,),
    )
