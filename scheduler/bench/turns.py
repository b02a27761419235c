"""How many units a second the scheduler gets through, and where the time goes.

    python -m scheduler.bench.turns [--units 24] [--year 365] [--registry URL] [--json]

Seeded sets with a year of history: a real registry (SQLite in a temporary folder, or an empty
database at --registry) and a real store. The clock goes on by a minute a round, every set reports
once, and `watch` works through them all: standing and running, and with the days kept between looks
or read again each time (what a set costs that finds no room). The floor is to read every unit, its
year of days and its open window, and do nothing. Times are wall clock, the best of the rounds.

Sets carried: the scheduler works 1.5 s of every 2 s, so that heartbeats, planning and messages
have their turn. On a busy machine read the floors and cpu_ms, the processor's time a unit.
"""

from __future__ import annotations

import argparse
import gc
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from fleet.history import History
from fleet.model import Habit, Latest, Pulse, Reading
from fleet.registry import unscoped
from fleet.registry.facts.rows import PulseBatch
from scheduler import turns
from scheduler.bench import assess
from scheduler.bench.assess import DAY_S, RUNNING_S, STANDING_S, T0, House
from scheduler.turns import alerting, recompute, watching
from scheduler.turns.clockwork import WATCH_BUDGET_S, WATCH_S
from scheduler.turns.day_cache import MB, DayCache

ROUNDS = 5
EVERY_S = 60
BEGUN_S = 10 * 3600
"""The open day holds so many seconds of reports when the rounds begin."""
MANY = 10_000
ROOM = 4_000 * MB
PARTS: tuple[tuple[str, Any, str], ...] = (
    ("touches", unscoped, "spread_touches"),
    ("touches", unscoped, "touched_units"),
    ("touches", unscoped, "due_looks"),
    ("what the office knows", unscoped, "unit_inputs"),
    ("days read", unscoped, "days"),
    ("days decoded", recompute, "year_of"),
    ("readings and events", recompute.Readings, "of"),
    ("the day digested", recompute, "_digest"),
    ("rules on the unit", watching, "assess"),
    ("alerts", alerting, "of_unit"),
    ("documents made", watching, "encode"),
    ("written", unscoped, "write_turn"),
)
"""What a turn is divided into; none of them calls another."""


@contextmanager
def divided() -> Iterator[dict[str, float]]:
    """Seconds spent in each part of a turn, while this holds."""
    spent: dict[str, float] = {name: 0.0 for name, _, _ in PARTS}
    kept = [(place, call, getattr(place, call)) for _, place, call in PARTS]

    def timed(name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            began = time.perf_counter()
            try:
                return real(*given, **named)
            finally:
                spent[name] += time.perf_counter() - began

        return call

    for (name, _, _), (place, call, real) in zip(PARTS, kept, strict=True):
        setattr(place, call, timed(name, real))
    try:
        yield spent
    finally:
        for place, call, real in kept:
            setattr(place, call, real)


def hear(house: House, start: int, end: int, running: bool) -> None:
    """Every set reports each minute of [start, end), and ingest notes it."""
    readings, pulses = [], []
    for n in range(len(house.units)):
        device = f"board-{n}"
        mine = [
            Reading(
                device,
                at,
                {
                    "ac_v": 231.0 if running else 0.0,
                    "battery_v": 13.5 + 0.01 * (at // 60 % 5),
                    "mains_v": 0.0 if running else 236.0,
                    "in_auto": 1.0,
                },
            )
            for at in range(start + n % EVERY_S, end, EVERY_S)
        ]
        last = mine[-1]
        latest = {name: Latest(last.at, value) for name, value in last.values.items()}
        readings += mine
        pulses.append(
            Pulse(
                device=device,
                heard_at=last.at,
                newest_at=last.at,
                latest=latest,
                habit=Habit(standing_s=STANDING_S, running_s=RUNNING_S),
            )
        )
    house.store.write(readings)
    touched = {pulse.device: {start // DAY_S} for pulse in pulses}
    unscoped.pulse(house.registry, PulseBatch(now=end, pulses=pulses, touched=touched))


def rounds(
    house: House, memory: turns.Memory, running: bool
) -> tuple[float, float, dict[str, float]]:
    """(seconds of the best round over all units, the least of the processor, the best's parts)."""
    best: tuple[float, dict[str, float]] = (float("inf"), {})
    cpu_s = float("inf")
    history = History(house.registry, house.store)
    for n in range(ROUNDS + 1):
        hear(house, house.now, house.now + EVERY_S, running)
        house.now += EVERY_S
        with divided() as spent:
            began, busy = time.perf_counter(), time.process_time()
            done = turns.work_through(house.registry, history, house.now, memory)
            took, busy = time.perf_counter() - began, time.process_time() - busy
        if done.units < len(house.units) or done.failed or done.refused:
            raise RuntimeError(f"the turn did not do all units: {done}")
        cpu_s = min(cpu_s, busy) if n else cpu_s
        if n and took < best[0]:
            best = took, {**spent, "the rest": took - sum(spent.values())}
    return best[0], cpu_s, best[1]


def run(units: int, year: int, url: str = "") -> dict[str, Any]:
    """All figures; milliseconds a unit where nothing else is said."""
    with tempfile.TemporaryDirectory(prefix="hourhand-bench-") as name:
        house = assess.build(Path(name) / "house", units, year, url)
        kept, bare = (turns.Memory(day_cache=DayCache(limit=room)) for room in (ROOM, 0))
        figures: dict[str, Any] = {"units": units, "history_days": year}
        floor_s = assess.seconds(house, assess.floor)
        figures["floor_ms"] = 1000 * floor_s / units
        begun = T0 + year * DAY_S
        house.now = begun + BEGUN_S
        hear(house, begun, house.now, False)
        gc.collect()
        gc.freeze()  # as the scheduler does when it begins
        for state in ("standing", "running"):
            for how, memory in (("kept", kept), ("read", bare)):
                took, cpu_s, spent = rounds(house, memory, state == "running")
                rate = units / took
                share = WATCH_BUDGET_S / WATCH_S
                figures[f"{state}, days {how}"] = {
                    "ms": 1000 * took / units,
                    "cpu_ms": 1000 * cpu_s / units,
                    "units_a_second": rate,
                    "floors": took / floor_s,
                    "sets_at_1_min": int(rate * share * 60),
                    "sets_at_10_min": int(rate * share * 600),
                    "parts_ms": {part: 1000 * s / units for part, s in spent.items()},
                }
        figures["kept_mb_a_unit"] = kept.day_cache.size / units / MB
        figures[f"kept_mb_at_{MANY}"] = MANY * kept.day_cache.size / units / MB
        house.close()
    return figures


def table(figures: dict[str, Any]) -> str:
    """The figures as lines of text, a column for each case."""
    cases = {name: case for name, case in figures.items() if isinstance(case, dict)}
    lines = [f"{name:<24}{value:>12,.2f}" for name, value in figures.items() if name not in cases]
    lines += ["", f"{'':<24}" + "".join(f"{name.replace(', days ', '/'):>16}" for name in cases)]
    for row in ("units_a_second", "floors", "sets_at_1_min", "sets_at_10_min", "cpu_ms", "ms"):
        lines.append(f"{row:<24}" + "".join(f"{c[row]:>16,.2f}" for c in cases.values()))
    for part in next(iter(cases.values()))["parts_ms"]:
        values = "".join(f"{case['parts_ms'][part]:>16,.2f}" for case in cases.values())
        lines.append(f"  {part:<22}{values}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="hourhand bench turns",
        description="Measure how many units a second the scheduler judges, and where the time goes.",
        epilog="Example: hourhand bench turns --units 24 --json",
    )
    parser.add_argument("--units", type=int, default=24, help="sets")
    parser.add_argument("--year", type=int, default=365, help="days of history of each")
    parser.add_argument("--registry", default="", help="an EMPTY database to use, postgresql://…")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    given = parser.parse_args(argv)
    if min(given.units, given.year) < 1 or given.units * given.year > assess.MOST_UNIT_DAYS:
        parser.error(f"units and year at least 1, and at most {assess.MOST_UNIT_DAYS} unit-days")
    figures = run(given.units, given.year, given.registry)
    sys.stdout.write((json.dumps(figures) if given.json else table(figures)) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
