"""A week of a real diesel plant: Alaska Center for Energy and Power, MIT (data/README.md).

Columns `Diesel1..3 kW`, about a row a minute, Alaska local time. Over 5 kW is running, nothing is
counted across more than 180 s. The header line comes back every 40 rows.
"""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from checks import Checks
from planted import facts, runs_of, series, walk

from fleet.model import Habit, Run, RunningSignal, Series, SignalChannel
from scheduler.day import close_open

ZONE = ZoneInfo("America/Anchorage")
OVER_5_KW = RunningSignal(first=SignalChannel("load_kw", 5.0000001, 5.0), hold_off_s=0)
EVERY_72_S = Habit(standing_s=72, running_s=72)
"""2.5 habits of 72 s are the 180 s of the task."""


def plant(shared: Path, *, lost_records: bool) -> dict[int, Series]:
    """kW of each set; lost_records: rows whose frequency and village load are 0 are left out."""
    with (shared / "data" / "village_plant_2017-12.csv").open(newline="") as file:
        table = list(csv.reader(file))
    header = next(row for row in table if row[0] == "DATE")
    rows = [row for row in table if row[0] != "DATE"]
    frequency, village = header.index("Frequency"), header.index("Village Load")
    if lost_records:
        rows = [row for row in rows if float(row[frequency]) or float(row[village])]
    found = {}
    for number in (1, 2, 3):
        kw = header.index(f"Diesel{number} kW")
        found[number] = series((moment(row), float(row[kw])) for row in rows)
    return found


def moment(row: list[str]) -> int:
    month, day, year = row[0].split("-")
    return int(
        datetime.fromisoformat(f"{year}-{month}-{day} {row[1]}").replace(tzinfo=ZONE).timestamp()
    )


def runs(load: Series) -> list[Run]:
    """Digested day by day; the run that goes on at the end ends at its last reading."""
    known = facts(signal=OVER_5_KW, habit=EVERY_72_S)
    days = walk(known, {"load_kw": load})
    going = close_open(days[-1].carry, int(load.t[-1]) + 3600, known)
    return runs_of(days) + ([going] if going else [])


def hours(found: list[Run]) -> float:
    return sum((run.end or run.last_on_at) - run.start for run in found) / 3600


AS_THEY_ARE = [(1, 17, 71.4), (2, 5, 171.5), (3, 2, 2.96)]


@pytest.mark.parametrize(("number", "n", "ran_h"), AS_THEY_ARE)
def test_rows_as_they_are(shared: Path, number: int, n: int, ran_h: float, checked: Checks) -> None:
    found = runs(plant(shared, lost_records=False)[number])
    checked(
        "Runs counted", "week of a real plant, Alaska Center for Energy and Power", n, len(found)
    )
    checked(
        "Hours run [h]",
        "week of a real plant, Alaska Center for Energy and Power",
        ran_h,
        hours(found),
        0.05 if ran_h > 10 else 0.005,
    )


LOST_RECORD = [(1, 16), (2, 4), (3, 2)]


@pytest.mark.parametrize(("number", "n"), LOST_RECORD)
def test_the_all_zero_rows_held_to_be_a_lost_record(
    shared: Path, number: int, n: int, checked: Checks
) -> None:
    found = runs(plant(shared, lost_records=True)[number])
    checked("Runs counted", "the same week, a row of zeros held to be a lost record", n, len(found))


def test_the_default_hold_sees_the_same_runs(shared: Path) -> None:
    """30 s off hold: no row pair of this plant is that close around a stop."""
    load = plant(shared, lost_records=False)[1]
    known = facts(signal=RunningSignal(first=OVER_5_KW.first), habit=EVERY_72_S)
    days = walk(known, {"load_kw": load})
    going = close_open(days[-1].carry, int(load.t[-1]) + 3600, known)
    assert len(runs_of(days)) + (going is not None) == 17
