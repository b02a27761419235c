"""The invented customers' papers: legal, whole, and such as the contract and the office take."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from dateutil.rrule import rrulestr

from demo_fleet.assembly import Fleet, build_fleet
from demo_fleet.customers import AREAS, MOST_SETS, TOWNS, places
from demo_fleet.machine import values
from demo_fleet.papers import (
    RECORD_COLUMNS,
    REGISTER_COLUMNS,
    YEARLY_TASKS,
    as_csv,
    record_rows,
    register_rows,
)
from demo_fleet.planted import faults
from demo_fleet.truths import truth_of
from demo_fleet.writing import truth_document
from fleet import channels
from fleet.registry.register import plans

NOW = 1_795_197_000
DAY_S = 86_400
ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return build_fleet(1, NOW)


def test_sixty_sets_of_many_customers(fleet: Fleet) -> None:
    assert len(fleet.sets) == MOST_SETS == 60
    a_site = Counter(s.place.site for s in fleet.sets)
    assert set(a_site.values()) <= {1, 2, 3, 4}
    assert {s.place.area for s in fleet.sets} == set(AREAS)
    assert {s.place.kind for s in fleet.sets} >= {"home", "farm", "clinic", "shop", "pumping"}
    sizes = [s.place.model.rated_kw for s in fleet.sets]
    assert (min(sizes), max(sizes)) == (6, 200)


def test_half_of_the_sets_float(fleet: Fleet) -> None:
    kinds = Counter(s.charger for s in fleet.sets)
    assert kinds["float"] == 30
    assert set(kinds) == {"float", "none", "on_off", "solar", "boost"}


def test_most_report_steadily_some_on_change_some_sleep(fleet: Fleet) -> None:
    modes = Counter(s.habit.mode for s in fleet.sets)
    assert modes["steady"] > 40
    assert modes["on_change"] == 10
    assert modes["sleeping"] == 4


def test_five_sets_report_each_minute_for_thirty_days(fleet: Fleet) -> None:
    fine = [s.machine.reporter for s in fleet.sets if s.machine.reporter.fine_from < NOW]
    assert len(fine) == 5
    assert all(r.mode == "steady" for r in fine)
    assert all(NOW - r.fine_from == pytest.approx(30 * DAY_S, abs=60) for r in fine)


def test_ids_are_legal_and_never_shared(fleet: Fleet) -> None:
    units = [s.place.unit for s in fleet.sets]
    boards = [d for s in fleet.sets for d in {s.place.device, s.old_device}]
    for ids in (units, boards):
        assert len(set(ids)) == len(ids)
        assert all(ID.fullmatch(i) for i in ids)
    assert all(ID.fullmatch(s.place.group) for s in fleet.sets)
    assert all(set(s.machine.reporter.channels) <= set(channels.NAMES) for s in fleet.sets)


def test_telephone_numbers_are_those_kept_free_for_drama(fleet: Fleet) -> None:
    """01632 960000 to 960999: Ofcom, "Telephone numbers for use in TV shows, films ..."."""
    assert all(re.fullmatch(r"01632 960\d{3}", s.place.phone) for s in fleet.sets)


def test_places_lie_near_their_towns(fleet: Fleet) -> None:
    for s in fleet.sets:
        lat, lon, _ = TOWNS[s.place.town]
        assert abs(s.place.lat - lat) < 0.03
        assert abs(s.place.lon - lon) < 0.03
        assert 54.8 < lat < 56.0
        assert -3.3 < lon < -1.4


@pytest.mark.parametrize("count", [0, 61, -1])
def test_no_other_number_of_sets(count: int) -> None:
    with pytest.raises(ValueError, match="1 to 60 sets"):
        places(count)


@pytest.mark.parametrize("days", [0, 366])
def test_no_longer_history_than_a_year(days: int) -> None:
    with pytest.raises(ValueError, match="1 to 365 days"):
        build_fleet(1, NOW, 3, days)


@pytest.mark.parametrize("days", [1, 3, 10, 20, 40])
def test_a_history_too_short_for_what_is_planted_is_refused_in_a_sentence(days: int) -> None:
    with pytest.raises(ValueError, match=f"{days} days are too few.*or for fewer sets"):
        truth_of(build_fleet(1, NOW, 60, days))


@pytest.mark.parametrize("seed", [1, 7])
def test_ninety_days_show_everything(seed: int) -> None:
    fleet = build_fleet(seed, NOW, 60, 90)
    assert {told.unit for told in truth_of(fleet)} >= {s.place.unit for s in fleet.sets if s.plays}


def test_a_small_fleet_still_runs_soon() -> None:
    small = build_fleet(1, NOW, units=2)
    soon = [d.at - NOW for d in small.sets[1].machine.life.demands if d.at > NOW]
    assert 0 < min(soon) < 600


# docs/register.md: the columns of an import, in its words.
WIRE_REGISTER = """customer, site, address, lat, lon, time_zone, unit, device, group, area, make,
model, serial, cooling, fuel, cylinders, idle_down, inverter, rated_kw, nominal_v, nominal_hz,
phases, performance_class, battery_nominal_v, battery_chemistry, battery_ah, battery_fitted,
charger, running_signal, running_on, running_off, running_signal_2, running_on_2, running_off_2,
running_join, running_hold_s, habit, service_plan, engine_hours, engine_hours_at, last_service,
last_service_hours, exercise, exercise_minutes, exercise_load, tank_l, placement, criticality,
contact, phone, sim, sim_ends, data_mb_month, laid_up_from, laid_up_to, technician"""


def test_register_columns_are_those_of_the_contract(fleet: Fleet) -> None:
    assert tuple(REGISTER_COLUMNS) == tuple(re.split(r",\s+", WIRE_REGISTER))
    rows = list(csv.DictReader(io.StringIO(as_csv(REGISTER_COLUMNS, register_rows(fleet)))))
    assert len(rows) == 60
    needed = ("customer", "site", "unit", "nominal_v", "nominal_hz", "running_signal")
    for row in rows:
        assert all(row[name] for name in (*needed, "running_on", "service_plan", "lat", "lon"))
        assert row["service_plan"] in plans.BY_ID


def test_running_signal_of_230_and_400_v_sets(fleet: Fleet) -> None:
    """AC over 200 V on a 230 V set, charging output over 9 V of 12 V (common practice, no source)."""
    for row in register_rows(fleet):
        if row["running_signal"] == "ac_v":
            assert row["running_on"] / row["nominal_v"] == pytest.approx(200 / 230, abs=0.002)
        elif row["running_signal"] == "running":
            assert (row["running_on"], row["running_off"]) == (1, 0)
        else:
            assert row["running_on"] / row["battery_nominal_v"] == pytest.approx(9 / 12)


def test_a_habit_is_declared_or_in_the_register(fleet: Fleet) -> None:
    for s, row in zip(fleet.sets, register_rows(fleet), strict=True):
        assert s.declared == ("habit" not in row)
    assert sum(not s.declared for s in fleet.sets) >= 5


def test_exercises_are_as_the_set_runs_them(fleet: Fleet) -> None:
    """The rule, read by dateutil in the site's zone, names the days on which the set ran."""
    zone = ZoneInfo("Europe/London")
    for s, row in zip(fleet.sets, register_rows(fleet), strict=True):
        if "exercise" not in row:
            continue
        agreed = set()
        for at in rrulestr(row["exercise"].replace(" ", "\n")):
            second = int(at.replace(tzinfo=zone).timestamp())
            if second > NOW:
                break
            agreed.add(second)
        ran = [d.at for d in s.machine.life.demands if d.why == "exercise" and d.at < NOW]
        assert ran or s.plays in ("failed_start",)
        late = 4500 if s.plays == "exercise_drifted" else 0
        assert all(min(abs(at - a) for a in agreed) <= 300 + late for at in ran), s.place.unit


def test_records_name_known_sets_and_have_ids_of_their_own(fleet: Fleet) -> None:
    rows = record_rows(fleet)
    assert set().union(*rows) <= set(RECORD_COLUMNS)
    assert len({row["id"] for row in rows}) == len(rows)
    assert {row["unit"] for row in rows} <= {s.place.unit for s in fleet.sets}
    kinds = {row["kind"] for row in rows}
    assert kinds >= {"task_done", "part_changed", "meter_check", "hour_meter", "fitting", "visit"}
    assert all(row["at"] < datetime.fromtimestamp(NOW, UTC).isoformat() for row in rows)


def test_tasks_done_are_tasks_of_the_shipped_plans(fleet: Fleet) -> None:
    for plan, tasks in YEARLY_TASKS.items():
        assert set(tasks) <= {task.id for task in plans.BY_ID[plan].tasks}


def test_meter_checks_hold_what_the_device_read(fleet: Fleet) -> None:
    """A device that reads 2.8 % low is put right; the raw value is the one it reported."""
    s = next(s for s in fleet.sets if s.plays == "volts_corrected")
    checks = [
        r
        for r in record_rows(fleet)
        if (r["unit"], r["kind"], r.get("channel")) == (s.place.unit, "meter_check", "ac_v")
    ]
    assert checks
    for row in checks:
        at = int(datetime.fromisoformat(row["at"]).timestamp())
        assert values(s.machine, np.array([at], np.int64))["ac_v"][0] == row["raw"]
        assert row["meter"] / row["raw"] == pytest.approx(1 / 0.972, abs=0.001)


def test_engine_hours_of_the_papers_agree_with_the_runs(fleet: Fleet) -> None:
    """Between two readings of the engine's own meter lies what the set ran."""
    records = record_rows(fleet)
    for s in fleet.sets[:12]:
        rows = [r for r in records if r["unit"] == s.place.unit and r["kind"] == "hour_meter"]
        for a, b in pairwise(rows):
            start, end = (int(datetime.fromisoformat(r["at"]).timestamp()) for r in (a, b))
            ran = s.machine.life.hours(end) - s.machine.life.hours(start)
            assert b["hours"] - a["hours"] == pytest.approx(ran, abs=0.11)


def test_truth_names_every_part_once(fleet: Fleet) -> None:
    told = truth_of(fleet)
    cast = Counter(t.kind for t in told if t.kind != "long_outage")
    assert cast == Counter(faults.CAST.values())
    assert set(cast) | {"long_outage"} == set(faults.EXPECT) | set(faults.HEALTHY)
    units = {s.place.unit: s for s in fleet.sets}
    for t in told:
        assert t.device in (units[t.unit].place.device, units[t.unit].old_device)
        assert t.at <= t.visible_from <= NOW, t.kind
        assert bool(t.expect) != t.healthy
        assert t.why
    assert 20 <= sum(t.expect.get("severity") not in (None, "note") for t in told) <= 32


def test_truth_of_part_one_is_complete(fleet: Fleet) -> None:
    """The faults that part 1 asks for."""
    kinds = {t.kind for t in truth_of(fleet)}
    assert kinds >= {
        "failed_start",
        "failed_start_then_started",
        "silent",
        "due_by_hours",
        "due_by_date",
        "late_beyond_tolerance",
        "meter_replaced",
        "meter_rolled_over",
        "clock_lost",
    }


def test_truth_is_json_and_names_what_it_belongs_to(fleet: Fleet) -> None:
    document = json.loads(json.dumps(truth_document(fleet)))
    assert (document["seed"], document["origin"], document["units"]) == (1, NOW, 60)
    assert len(document["faults"]) == len(faults.EXPECT) + 1  # two sets are due soon


Rows = list[dict[str, Any]]


def due_share(fleet: Fleet, n: int, register: Rows, records: Rows) -> dict[str, float]:
    """Task to share of its interval used, worked out here from the papers and the shipped plan."""
    s = fleet.sets[n]
    row = register[n]
    done = {r["task"]: r for r in records if r["unit"] == s.place.unit and r["kind"] == "task_done"}
    now_h = s.engine_h(NOW)
    shares = {}
    for task in plans.BY_ID[row["service_plan"]].tasks:
        if task.fuels and row["fuel"] not in task.fuels:
            continue
        last = done.get(task.id)
        on = datetime.fromisoformat(last["at"] if last else str(row["last_service"])).date()
        since_h = now_h - (last["hours"] if last else row["last_service_hours"])
        days = (datetime.fromtimestamp(NOW, UTC).date() - on).days
        shares[task.id] = max(
            since_h / task.every_h if task.every_h else 0.0,
            days / (task.every_months * 30.44) if task.every_months else 0.0,
        )
    return shares


def test_only_the_planted_sets_have_work_due(fleet: Fleet) -> None:
    due = ("due_by_hours", "due_by_date", "late_beyond_tolerance", "soon_by_date")
    register, records = register_rows(fleet), record_rows(fleet)
    for n, s in enumerate(fleet.sets):
        shares = due_share(fleet, n, register, records)
        if s.plays in due:
            assert shares["oil_filter"] > 0.92, s.plays
        else:
            assert max(shares.values()) < 0.9, (s.place.unit, shares)


def test_sets_due_are_late_by_what_is_told(fleet: Fleet) -> None:
    """Tolerance 10 % or 30 days (docs/engineering/service.md#tolerance)."""
    told = {t.kind: t.expect["facts"] for t in truth_of(fleet) if t.expect}
    oil = next(t for t in plans.BY_ID["liquid_diesel"].tasks if t.id == "oil_filter")
    assert oil.every_h is not None
    assert oil.every_h < told["due_by_hours"]["hours_used_h"] < 1.1 * oil.every_h
    assert told["due_by_hours"]["days_since"] < 365
    assert 365 < told["due_by_date"]["days_since"] <= 365 + 30
    assert told["late_beyond_tolerance"]["days_since"] > 365 + 31
    assert 365 - 30 < told["soon_by_date"]["days_since"] < 365


def test_the_office_takes_the_papers(fleet: Fleet, tmp_path: Path) -> None:
    """Imported with the office's own command, as a user would."""
    from demo_fleet.writing import write_papers
    from hourhand.__main__ import main

    papers = write_papers(fleet, tmp_path)
    for noun, name in (("units", "register.csv"), ("records", "records.csv")):
        assert main([noun, "import", str(papers[name]), "--data", str(tmp_path)]) == 0
