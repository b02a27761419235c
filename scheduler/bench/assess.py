"""What judging a unit costs, against a floor of the same run.

    python -m scheduler.bench.assess [--units 12] [--days 30] [--json]

Seeded sets on standby in a temporary folder: a real registry and a real store. The floor of a unit
is to read it and do nothing: what the office knows of it, its stored days, and its open window (the
day that got something new). A turn reads the same, digests the day, judges the unit and writes.
Read the ratios: the machine's speed divides out.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from fleet.calendar import DAY_S
from fleet.history import History, read_series
from fleet.model import Habit, Latest, Pulse, Reading
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.facts.rows import PulseBatch
from fleet.registry.register import import_units
from fleet.store.embedded import EmbeddedStore
from scheduler import turns
from scheduler.day import decode

T0 = 20_000 * DAY_S
STANDING_S, RUNNING_S, RUN_S = 900, 60, 1200
TIMES_MORE = 10
ROUNDS = 3
MOST_UNIT_DAYS = 40_000
FLOORS_AT_MOST = 10.0
TIMES_AT_MOST = 11.0


@dataclass
class House:
    """A registry and a store with so many sets, each with a year's worth or less of history."""

    registry: Registry
    store: EmbeddedStore
    units: list[str]
    now: int
    memory: turns.Memory = field(default_factory=turns.Memory)

    def close(self) -> None:
        self.store.close()
        self.registry.close()


def one_day(seed: int, day: int, ran_h: float) -> list[Reading]:
    """A set's reports of one day: standing, and every week a run of 20 minutes."""
    begin = T0 + day * DAY_S
    start = begin + 36_000 + 60 * (seed % 60) if day % 7 == seed % 7 else begin - DAY_S
    standing = np.arange(begin + seed % 60, begin + DAY_S, STANDING_S)
    running = np.arange(start, start + RUN_S + RUNNING_S, RUNNING_S)
    t = np.union1d(standing, running[running >= begin])
    on = (t >= start) & (t < start + RUN_S)
    hours = ran_h + np.clip(t - start, 0, RUN_S) * (start >= begin) / 3600
    rng = np.random.default_rng((seed, day))
    battery = np.round(13.5 + 0.02 * rng.standard_normal(len(t)), 2)
    rows = zip(
        t.tolist(), on.tolist(), np.floor(hours * 10).tolist(), battery.tolist(), strict=True
    )
    return [
        Reading(
            f"board-{seed}",
            at,
            {
                "ac_v": 231.0 * runs,
                "run_hours_h": tenths / 10,
                "battery_v": volts,
                "mains_v": 236.0,
                "start_attempts": float(40 + day // 7 + runs),
                "in_auto": 1.0,
            },
        )
        for at, runs, tenths, volts in rows
    ]


def build(folder: Path, units: int, days: int, url: str = "") -> House:
    """Register the sets, store their history, and let the scheduler work through it once.

    url: of an empty registry; else one is made in the folder.
    """
    folder.mkdir(parents=True)
    registry = open_registry(url or f"sqlite:///{folder / 'registry.db'}")
    store = EmbeddedStore(folder / "store.db", writing=True)
    rows = [
        {
            "customer": f"Customer {n // 3}",
            "site": f"Site {n}",
            "unit": f"set-{n}",
            "device": f"board-{n}",
            "nominal_v": 230,
            "nominal_hz": 50,
            "running_signal": "ac_v",
            "running_on": 200,
            "service_plan": "air_spark",
            "time_zone": "Europe/London",
            "habit": f"steady {STANDING_S} {RUNNING_S}",
            "engine_hours": 100,
            "last_service_hours": 90,
            "engine_hours_at": "2024-10-04T00:00:00Z",
            "last_service": "2024-09-04",
            "exercise": "DTSTART:20240902T100000 RRULE:FREQ=WEEKLY;BYDAY=MO",
            "exercise_minutes": 20,
        }
        for n in range(units)
    ]
    house = House(registry, store, [f"set-{n}" for n in range(units)], T0 + days * DAY_S)
    report = import_units(registry, rows, house.now, "bench")
    if not report.ok:
        raise RuntimeError(f"the bench's own register was refused: {report.problems[:1]}")
    for day in range(days):
        hear(house, day)
    while store.tend(house.now + 3 * DAY_S):
        pass
    turns.work_through(registry, History(registry, store), house.now, house.memory)
    return house


def hear(house: House, day: int, last_only: bool = False) -> None:
    """Store what all sets said on a day (or its newest reading again) and note it as ingest does."""
    readings: list[Reading] = []
    pulses = []
    for n in range(len(house.units)):
        runs = (day - n % 7 + 6) // 7
        mine = one_day(n, day, 812.0 + runs * RUN_S / 3600)
        mine = mine[-1:] if last_only else mine
        readings += mine
        last = mine[-1]
        latest = {name: Latest(last.at, value) for name, value in last.values.items()}
        pulses.append(
            Pulse(
                device=last.device,
                heard_at=last.at + 2,
                newest_at=last.at,
                latest=latest,
                habit=Habit(standing_s=STANDING_S, running_s=RUNNING_S),
            )
        )
    house.store.write(readings)
    touched = {pulse.device: {T0 // DAY_S + day} for pulse in pulses}
    unscoped.pulse(house.registry, PulseBatch(now=house.now, pulses=pulses, touched=touched))


def floor(house: House) -> None:
    """Read every unit, its days and its open window, and do nothing."""
    start = house.now - DAY_S
    for unit in house.units:
        inputs = unscoped.unit_inputs(house.registry, unit)
        if inputs is None:
            raise RuntimeError(f"the bench's own unit {unit} is not in the register")
        for row in unscoped.days(house.registry, unit, 0, house.now // DAY_S + 366):
            decode(row.doc)
        read_series(house.store, inputs, None, start, house.now)


def turn(house: House) -> None:
    """One turn over all units, each touched on its newest day."""
    history = History(house.registry, house.store)
    done = turns.work_through(house.registry, history, house.now, house.memory)
    if done.units < len(house.units) or done.failed or done.refused:
        raise RuntimeError(f"the turn did not do all units: {done}")


def seconds(house: House, job: Callable[[House], None]) -> float:
    """The best of several rounds, all units touched before each."""
    spent = []
    for _ in range(ROUNDS):
        hear(house, (house.now - T0) // DAY_S - 1, last_only=True)
        began = time.perf_counter()
        job(house)
        spent.append(time.perf_counter() - began)
    return min(spent)


def run(units: int, days: int, year: int) -> dict[str, float]:
    """All figures. units x days is bounded by MOST_UNIT_DAYS."""
    with tempfile.TemporaryDirectory(prefix="hourhand-bench-") as name:
        figures: dict[str, float] = {"units": units, "days": days}
        long = build(Path(name) / "long", units, year)
        base_s, turn_s = seconds(long, floor), seconds(long, turn)
        figures |= {
            "history_days": year,
            "floor_ms_per_unit": 1000 * base_s / units,
            "turn_ms_per_unit": 1000 * turn_s / units,
            "floors_per_unit": turn_s / base_s,
        }
        long.close()
        few, many = (build(Path(name) / f"{n}", n, days) for n in (units, TIMES_MORE * units))
        few_s, many_s = seconds(few, turn), seconds(many, turn)
        figures |= {
            "turn_s": few_s,
            "turn_s_ten_times_the_units": many_s,
            "times_the_time": many_s / few_s,
        }
        few.close()
        many.close()
    return figures


def table(figures: dict[str, float]) -> str:
    """The figures as lines of text, with what they are held to."""
    held = {"floors_per_unit": FLOORS_AT_MOST, "times_the_time": TIMES_AT_MOST}
    lines = [f"{'figure':<32}{'value':>12}{'at most':>10}"]
    for name, value in figures.items():
        text = f"{value:,.0f}" if value == int(value) else f"{value:.3f}"
        lines.append(f"{name:<32}{text:>12}{held.get(name, ''):>10}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="hourhand bench assess",
        description="Measure a turn of the scheduler against reading the same and doing nothing.",
        epilog="Example: hourhand bench assess --units 12 --days 30 --json",
    )
    parser.add_argument("--units", type=int, default=12, help="sets; then ten times as many")
    parser.add_argument("--days", type=int, default=30, help="days of history where sets are many")
    parser.add_argument("--year", type=int, default=365, help="days of history for the floor")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    given = parser.parse_args(argv)
    most = max(given.units * given.year, TIMES_MORE * given.units * given.days)
    if min(given.units, given.days, given.year) < 1 or most > MOST_UNIT_DAYS:
        parser.error(f"units, days and year at least 1, and at most {MOST_UNIT_DAYS} unit-days")
    figures = run(given.units, given.days, given.year)
    sys.stdout.write((json.dumps(figures) if given.json else table(figures)) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
