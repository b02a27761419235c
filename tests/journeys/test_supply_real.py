"""Volts and hertz against recordings that nobody of this project made (shared/data/README.md)."""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pytest
from checks import Checks

from fleet.model import Series, SignalChannel
from scheduler.rules.supply import (
    Plate,
    Point,
    SupplyCarry,
    SupplyDay,
    WatchedDay,
    alike,
    bands,
    drift,
    out,
    watch,
)

RUNNING = SignalChannel("running", 1.0, 0.5)


def watched(plate: Plate, series: dict[str, Series]) -> tuple[SupplyDay | None, SupplyCarry]:
    """The whole recording as one run of a set that has long settled."""
    t = next(iter(series.values())).t
    day = WatchedDay(
        plate=plate,
        series=series,
        runs=[(int(t[0]) - 3600, int(t[-1]) + 1)],
        temps_c=[None],
        parts=(RUNNING,),
        signs=(),
        over_voltage=(),
        standing_s=180,
        running_s=180,
    )
    return watch(day, SupplyCarry())


# A blackout: Toledo, 28 April 2025, phase volts of a 48 kV bus every 2 s (Lemur, Universidad de
# Oviedo; MIT). Taken as the line of a set; its volts as shares of nominal on 230 V.

MADRID = ZoneInfo("Europe/Madrid")
NETWORK = Plate(nominal_v=230.0, nominal_hz=50.0, small=False, hertz_pct=0.4)
"""50 Hz +- 0.2 Hz."""


def blackout(shared: Path, *, with_nan: bool = False) -> dict[str, Series]:
    rows = (shared / "data" / "mains_blackout_2025-04-28.csv").read_text().splitlines()[1:]
    at, volts, hertz = [], [], []
    for row in rows:
        first, _, _, hz, when = row.split(",")
        if first == "NaN" and not with_nan:
            continue
        moment = datetime.strptime(when, "%d-%b-%Y %H:%M:%S").replace(tzinfo=MADRID)
        at.append(int(moment.timestamp()))
        volts.append(float(first) * 230 / (48_000 / 3**0.5))
        hertz.append(float(hz))
    t = np.array(at, np.int64)
    return {"ac_v": Series(t, np.array(volts)), "frequency_hz": Series(t, np.array(hertz))}


def until(series: dict[str, Series], wall: str) -> dict[str, Series]:
    end = int(datetime.fromisoformat(f"2025-04-28 {wall}").replace(tzinfo=MADRID).timestamp())
    return {name: Series(s.t[s.t < end], s.v[s.t < end]) for name, s in series.items()}


@pytest.mark.parametrize("with_nan", [False, True])
def test_no_alert_before_the_blackout(shared: Path, with_nan: bool) -> None:
    found, carry = watched(NETWORK, until(blackout(shared, with_nan=with_nan), "12:32:00"))
    assert found is not None
    assert found.ended == ()
    assert {k for k, d in carry.delays.items() if d.met_at is not None} == set()
    assert found.points[0].hertz == pytest.approx(50.0, abs=0.05)


def test_the_free_running_line_is_no_under_frequency(shared: Path) -> None:
    """26 minutes at 47 falling to 40 Hz on a dead bus: three live samples, and then nothing."""
    series = blackout(shared)
    hertz = series["frequency_hz"]
    dead = hertz.t >= until(series, "12:33:24")["ac_v"].t[-1]
    assert hertz.v[dead].max() < 49.8
    assert int(hertz.t[-1] - hertz.t[dead][0]) > 26 * 60
    found, carry = watched(NETWORK, series)
    assert found is not None
    assert found.ended == ()
    assert carry.delays["hertz"].met_at is None
    assert carry.delays["hertz"].n <= 3
    taken = {"frequency_hz": hertz, "ac_v": Series(hertz.t, np.full(len(hertz), 230.0))}
    _, fooled = watched(NETWORK, taken)
    assert fooled.delays["hertz"].met_at is not None, "on a live bus it would be one"


def test_the_dead_bus_gives_no_output_to_an_engine_that_turns(shared: Path) -> None:
    series = blackout(shared)
    turns = {"running": Series(series["ac_v"].t, np.ones(len(series["ac_v"])))}
    _, carry = watched(NETWORK, series | turns)
    lost = carry.delays["no_output"]
    assert f"{datetime.fromtimestamp(lost.since, MADRID):%H:%M:%S}" == "12:33:24"
    assert lost.met_at is not None
    assert "hertz" not in {k for k, d in carry.delays.items() if d.met_at is not None}


# A house: one-minute mains volts of 26 days (UCI Machine Learning Repository, CC BY 4.0).

HOUSE = Plate(nominal_v=230.0, nominal_hz=50.0, small=False)


@pytest.fixture(scope="module")
def house(shared: Path) -> Series:
    rows = (shared / "data" / "house_mains_1min_2006-12.txt").read_text().splitlines()[1:]
    cells = [row.split(";") for row in rows]
    paris = ZoneInfo("Europe/Paris")
    pairs = [
        (
            int(
                datetime.strptime(f"{c[0]} {c[1]}", "%d/%m/%Y %H:%M:%S")
                .replace(tzinfo=paris)
                .timestamp()
            ),
            float(c[4]),
        )
        for c in cells
        if c[4] != "?"
    ]
    return Series(np.array([t for t, _ in pairs], np.int64), np.array([v for _, v in pairs]))


def test_a_houses_volts_against_both_bands(house: Series, checked: Checks) -> None:
    wide = bands.volts_band(HOUSE)
    narrow = bands.volts_band(msgspec.structs.replace(HOUSE, volts_pct=6.0))
    assert (narrow.low, narrow.high) == (216.2, 243.8)
    checked(
        "Rows outside 230 V by 10 % and by 6 %, and on 243.8 V",
        "household recording, UCI",
        [0, 9336, 48],
        [int(((house.v < band.low) | (house.v > band.high)).sum()) for band in (wide, narrow)]
        + [int((house.v == narrow.high).sum())],
    )


def test_a_house_raises_no_alert_and_no_drift(house: Series) -> None:
    found, carry = watched(HOUSE, {"ac_v": house})
    assert found is not None
    assert found.ended == ()
    assert carry.delays == {}
    days = np.unique(house.t // 86_400)
    runs = [
        Point(start=int(day) * 86_400, value=float(np.median(house.v[house.t // 86_400 == day])))
        for day in days
    ]
    moved, why = drift("volts", alike(runs, None, 0.2), bands.volts_band(HOUSE))
    assert moved is not None, why
    assert not moved.found


def test_the_same_house_under_a_narrow_band_is_out(house: Series) -> None:
    state, ended = out.walk(
        "volts",
        house.t,
        house.v,
        out.of_band(bands.volts_band(msgspec.structs.replace(HOUSE, volts_pct=6.0))),
        None,
    )
    assert len(ended) + (state is not None) > 5


# A plant: a week of three diesel sets, about a row a minute (Alaska Center for Energy and Power; MIT).


@pytest.fixture(scope="module")
def plant(shared: Path) -> dict[str, np.ndarray]:
    with (shared / "data" / "village_plant_2017-12.csv").open(newline="") as file:
        table = list(csv.reader(file))
    header = next(row for row in table if row[0] == "DATE")
    rows = [row for row in table if row[0] != "DATE"]
    names = ("Frequency", "Diesel kW", "Diesel1 kW", "Diesel2 kW", "Diesel3 kW")
    return {n: np.array([float(row[header.index(n)]) for row in rows]) for n in names}


def test_a_plants_hertz_keep_within_one_percent(
    plant: dict[str, np.ndarray], checked: Checks
) -> None:
    hertz = plant["Frequency"]
    live = hertz[hertz > 0]
    plate = Plate(nominal_v=480.0, nominal_hz=60.0, small=False, hertz_pct=1.0)
    band = bands.hertz_band(plate)
    checked(
        "Rows of zeros, and rows outside 60 Hz by 1 %",
        "week of a real plant, Alaska Center for Energy and Power",
        [2, 0],
        [len(hertz) - len(live), int(((live < band.low) | (live > band.high)).sum())],
    )
    t = np.arange(len(hertz), dtype=np.int64) * 60
    alive = Series(t, np.where(hertz > 0, 480.0, 0.0))
    found, carry = watched(plate, {"frequency_hz": Series(t, hertz), "ac_v": alive})
    assert found is not None
    assert found.ended == ()
    assert carry.delays == {}


def test_its_sets_add_up_to_the_plant(plant: dict[str, np.ndarray]) -> None:
    apart = np.abs(sum(plant[f"Diesel{n} kW"] for n in (1, 2, 3)) - plant["Diesel kW"])
    assert float(np.median(apart)) < 10.0
