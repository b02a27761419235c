"""A small invented fleet for the page tests, written through the real registry, store and turns.

Nothing is put where a rule should have put it: readings go to the store, what ingest would note to
the registry, and the scheduler's own turns work out the rest. Planted: a failed start, a silent
set, one left out of automatic, late work, one running now, hostile text.
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import on_postgresql

from fleet.history import History
from fleet.model import DeviceEvent, Latest, Pulse, Quarantined, Reading, Record, RecordKind
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.facts.records import add_record
from fleet.registry.facts.rows import InboxMark, PulseBatch
from fleet.registry.register import import_units
from fleet.settings import Settings
from fleet.store import open_store
from scheduler.turns import Memory, work_through

NOW = int(datetime(2026, 11, 25, 7, 5, tzinfo=UTC).timestamp())
DAY_S = 86_400
DAYS = 40
STANDING_S = 1800
RUN_MIN = 20
HOSTILE = 'O\'Brien & <script>alert(1)</script> "Sons"'

PLACES: tuple[tuple[str, str, str, str], ...] = (
    ("Alder House", "Hanna Alder", "3 Mill Lane, Keld", "North"),
    ("Quay Cold Store", "Quay Cold Store Ltd", "Fish Quay 12, Harwick", "Coast"),
    ("Northgate Clinic", "Northgate Clinic", "1 Northgate, Harwick", "Coast"),
    ("Kiln School", "Kiln School", "Kiln Road, Otterby", "Valley"),
    ("Priory Farm", "Tom Ferris", "Priory Farm, Otterby", "Valley"),
    ("Weir Care Home", "Weir Care Ltd", "The Weir, Keld", "North"),
    ("Hostile yard", HOSTILE, "<b>9</b> Odd Street", "North"),
    ("Orchard Dairy", "Orchard Dairy", "Dairy Lane, Otterby", "Valley"),
    ("Chapel Pumping", "Water board", "Chapel Hill, Keld", "North"),
    ("Ferry Shop", "Ida Ferry", "Ferry Steps 2, Harwick", "Coast"),
)
FAILED, SILENT, OUT_OF_AUTO, LATE, RUNNING, NEW = 1, 5, 2, 3, 4, 9


@dataclass(frozen=True)
class Fleet:
    """What was made: where it is, and the open registry and history."""

    settings: Settings
    registry: Registry
    history: History
    now: int = NOW


def unit_id(n: int) -> str:
    return f"gs-{n + 1:02d}"


@contextmanager
def seeded(data: Path, demo: bool = True) -> Iterator[Fleet]:
    """The invented fleet, closed at the end."""
    made = seed(data, demo)
    try:
        yield made
    finally:
        made.registry.close()
        made.history.store.close()


def seed(data: Path, demo: bool = True) -> Fleet:
    """The invented fleet in a data folder: worked out once a process, then copied.

    On PostgreSQL the registry is no file of the folder, and is worked out each time.
    """
    settings = Settings(data=data, firm="Harrow & Finch", demo=demo)
    if on_postgresql.HOME:
        return _worked_out(settings)
    shutil.copytree(_first(), data, dirs_exist_ok=True)
    registry = open_registry(settings)
    return Fleet(settings, registry, History(registry, open_store(settings, writing=False)))


@cache
def _first() -> Path:
    """The folder that is copied; gone with the process."""
    home = Path(tempfile.mkdtemp(prefix="hh-seeded-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    made = _worked_out(Settings(data=home / "data", firm="Harrow & Finch"))
    made.history.store.close()
    made.registry.close()
    return home / "data"


def _worked_out(settings: Settings) -> Fleet:
    """The rows and readings, and what the scheduler's turns make of them."""
    settings.data.mkdir(parents=True, exist_ok=True)
    registry = open_registry(settings)
    report = import_units(registry, [_row(n) for n in range(len(PLACES))], NOW, "test")
    assert report.ok, [str(problem) for problem in report.problems]
    store = open_store(settings, writing=True)
    pulses, events = [], []
    for n in range(len(PLACES)):
        if n == NEW:
            continue
        readings = _readings(n)
        store.write(readings)
        pulses.append(_pulse(n, readings))
        events += _events(n)
    unscoped.pulse(registry, _batch(pulses, events))
    store.close()
    _records(registry)
    history = History(registry, open_store(settings, writing=False))
    work_through(registry, history, NOW, Memory())
    return Fleet(settings, registry, history)


def _row(n: int) -> dict[str, Any]:
    site, customer, address, area = PLACES[n]
    return {
        "customer": customer,
        "site": site,
        "address": address,
        "area": area,
        "unit": unit_id(n),
        "device": f"dev-{n + 1:02d}",
        "lat": 54.4 + n / 50,
        "lon": -1.9 + n / 40,
        "time_zone": "Europe/London",
        "nominal_v": 230,
        "nominal_hz": 50,
        "running_signal": "ac_v",
        "running_on": 200,
        "service_plan": "liquid_diesel",
        "cooling": "liquid",
        "fuel": "diesel",
        "cylinders": 4,
        "rated_kw": 40,
        "make": "Plain",
        "model": f"P{n}",
        "serial": f"SN{n:04d}",
        "habit": f"steady {STANDING_S} 60",
        "phone": f"01632 9600{n:02d}",
        "contact": "Estates desk",
        "engine_hours": 400 + n,
        "engine_hours_at": "2026-10-01T08:00:00Z",
        "last_service": "2025-01-10" if n == LATE else "2026-09-20",
        "last_service_hours": 120 if n == LATE else 390 + n,
        "charger": "float",
        "battery_fitted": "2023-03-04",
    }


def _readings(n: int) -> list[Reading]:
    rng = np.random.default_rng(n)
    end = NOW - 3 * DAY_S - 4 * 3600 if n == SILENT else NOW - 60
    moments = set(range(NOW - DAYS * DAY_S, end, STANDING_S)) | {end}
    for start in _runs(n, end):
        moments |= set(range(start, min(start + RUN_MIN * 60 + 120, end + 1), 60))
    hours = 400.0 + n
    rows, last, was = [], None, False
    events = {event.at: event.values for event in _events(n)}
    moments |= set(events)
    for at in sorted(moments):
        running = any(start <= at < start + RUN_MIN * 60 for start in _runs(n, end))
        if running and was and last is not None:
            hours += (at - last) / 3600
        rows.append(
            Reading(
                f"dev-{n + 1:02d}", at, _values(n, rng, at, running, hours) | events.get(at, {})
            )
        )
        last, was = at, running
    return rows


def _runs(n: int, end: int) -> list[int]:
    """Weekly exercise; one set runs now."""
    starts = [NOW - day * DAY_S - 3600 * (n + 2) for day in range(4, DAYS, 7)]
    if n == RUNNING:
        starts.append(end - 600)
    return [start for start in starts if start < end]


def _values(
    n: int, rng: np.random.Generator, at: int, running: bool, hours: float
) -> dict[str, float]:
    volts = 14.2 if running else 13.3
    return {
        "battery_v": round(volts + rng.normal(0, 0.04), 2),
        "ac_v": round(231 + rng.normal(0, 1), 1) if running else 0.0,
        "frequency_hz": round(50.6 + rng.normal(0, 0.1), 2) if running else 0.0,
        "mains_v": round(233 + rng.normal(0, 2), 1),
        "load_kw": round(12 + rng.normal(0, 1), 2) if running else 0.0,
        "fuel_pct": round(78 - (at - NOW + DAYS * DAY_S) / DAY_S / 8, 1),
        "engine_temp_c": round(82 if running else 38 + rng.normal(0, 1.5), 1),
        "run_hours_h": round(hours, 2),
        "in_auto": 0.0 if n == OUT_OF_AUTO and at > NOW - 40_000 else 1.0,
        "start_attempts": float(50 + n),
    }


def _pulse(n: int, readings: list[Reading]) -> Pulse:
    newest = readings[-1]
    return Pulse(
        device=newest.device,
        heard_at=newest.at,
        newest_at=newest.at,
        latest={name: Latest(newest.at, value) for name, value in newest.values.items()},
        online=True,
        firmware="1.4.2",
        forgiven={"number_as_text": 12} if n == 7 else {},
    )


def _events(n: int) -> list[DeviceEvent]:
    if n != FAILED:
        return []
    return [
        DeviceEvent(
            device=f"dev-{n + 1:02d}",
            at=NOW - 3180,
            event="failed_to_start",
            cause="overcrank",
            values={"crank_min_v": 8.1, "crank_s": 4.2},
            received_at=NOW - 3178,
        )
    ]


def _batch(pulses: list[Pulse], events: list[DeviceEvent]) -> PulseBatch:
    days = set(range(NOW // DAY_S - DAYS, NOW // DAY_S + 1))
    stranger = Pulse(
        device="stranger-7",
        heard_at=NOW - 300,
        newest_at=NOW - 300,
        latest={"battery_v": Latest(NOW - 300, 12.7)},
    )
    odd = Quarantined(
        device="dev-08",
        topic="hourhand/main/dev-08/readings",
        received_at=NOW - 5000,
        reason="not JSON: unexpected character at byte 3",
        payload=b'{"<script>alert(1)</script>',
    )
    return PulseBatch(
        now=NOW,
        pulses=[*pulses, stranger],
        touched={pulse.device: days for pulse in pulses},
        groups={pulse.device: "main" for pulse in [*pulses, stranger]},
        events=events,
        quarantined=[odd],
        inbox=InboxMark(file="history.jsonl", offset=4_000_000, lines=52_000, size=16_000_000),
    )


def _records(registry: Registry) -> None:
    said: tuple[tuple[RecordKind, int, dict[str, Any]], ...] = (
        (
            "meter_check",
            0,
            {
                "channel": "mains_v",
                "meter": [231.0],
                "raw": [233.0],
                "instrument": "Meter A, serial 77",
            },
        ),
        ("note", 0, {"text": HOSTILE}),
        ("hour_meter", 0, {"hours": 402.5}),
    )
    for kind, unit, facts in said:
        record = Record(
            id=f"7b9c1d3e-0000-4000-8000-00000000000{len(kind)}",
            at=NOW - DAY_S * 20,
            by="Dee",
            unit=unit_id(unit),
            kind=kind,
            facts=facts,
        )
        add_record(registry, record, NOW)
