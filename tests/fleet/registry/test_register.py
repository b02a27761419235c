"""The register: what a row may hold, what is refused, what an import changes."""

from __future__ import annotations

import csv
import io
import json
import math
import sys
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from new_registries import registry_at
from register_rows import NOW, TODAY, row, take
from touches import clear, days_of

from fleet.model import EVERYTHING, Habit, Pulse, RunningSignal, Scope, SignalChannel, Unit
from fleet.registry import lists, register, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.facts.rows import PulseBatch
from fleet.registry.register import export_units, import_plans, import_units
from fleet.registry.register.columns import NAMES
from fleet.registry.register.plans import SHIPPED

pytest_plugins = ["databases"]

WIRE_COLUMNS = """customer, site, address, lat, lon, time_zone, unit, device, group, area, make,
model, serial, cooling, fuel, cylinders, idle_down, inverter, rated_kw, nominal_v, nominal_hz, phases,
performance_class, battery_nominal_v, battery_chemistry, battery_ah, battery_fitted, charger,
running_signal, running_on, running_off, running_signal_2, running_on_2, running_off_2, running_join,
running_hold_s, habit, service_plan, engine_hours, engine_hours_at, last_service, last_service_hours,
exercise, exercise_minutes, exercise_load, tank_l, placement, criticality, contact, phone, sim,
sim_ends, data_mb_month, laid_up_from, laid_up_to, technician"""

FULL: dict[str, Any] = row(
    address="Mill Lane 3",
    lat="48.137",
    lon="11.575",
    time_zone="",
    device="D1",
    group="north",
    area="Lakes",
    make="Acme",
    model="=7",
    serial="-1",
    cooling="LIQUID",
    fuel="Diesel",
    cylinders="4",
    idle_down="no",
    inverter="NO",
    rated_kw="40",
    phases="3",
    performance_class="g3",
    battery_nominal_v="24",
    battery_chemistry="AGM",
    battery_ah="70",
    battery_fitted="2025-03-01",
    charger="On_Off",
    running_off="150",
    running_signal_2="charge_v",
    running_on_2="18",
    running_join="Both",
    running_hold_s="10",
    habit="steady 900 60",
    service_plan="liquid_diesel",
    engine_hours="812,4",
    engine_hours_at="2026-11-01T08:00",
    last_service="2026-05-04",
    last_service_hours="700",
    exercise="DTSTART:20260106T100000 RRULE:FREQ=WEEKLY;BYDAY=TU",
    exercise_minutes="20",
    exercise_load="30",
    tank_l="200",
    placement="engine room",
    criticality="Life",
    contact="@Anna",
    phone="+49 89 1",
    sim="8949",
    sim_ends="2027-01-31",
    data_mb_month="5",
    laid_up_from="2027-04-01",
    laid_up_to="2027-05-01",
    technician="Bo",
    cranking_cycle_s="75",
    hour_meter_digits="5",
)


def unit(reg: Registry, id: str = "U1") -> Unit:
    found = lists.unit(reg, EVERYTHING, id)
    assert found is not None
    return found.unit


def test_every_column_of_the_wire_document_is_known() -> None:
    wanted = [name.strip() for name in WIRE_COLUMNS.replace("\n", " ").split(",")]
    assert [name for name in NAMES if name in wanted] == wanted


def test_a_full_row_is_read(reg: Registry) -> None:
    take(reg, FULL)
    found = lists.unit(reg, EVERYTHING, "U1")
    assert found is not None
    made, site = found.unit, found.site
    assert made.running == RunningSignal(
        first=SignalChannel("ac_v", 200.0, 150.0),
        second=SignalChannel("charge_v", 18.0, 16.2),
        join="both",
        hold_off_s=10,
    )
    assert (made.cooling, made.fuel, made.engine_class) == ("liquid", "diesel", "liquid_diesel")
    assert (made.phases, made.performance_class, made.charger) == ("3", "G3", "on_off")
    assert (made.placement, made.criticality) == ("engine_room", "life")
    assert (made.battery_nominal_v, made.battery_chemistry) == (24.0, "agm")
    assert made.habit == Habit(mode="steady", standing_s=900, running_s=60, source="register")
    assert made.exercise == "DTSTART:20260106T100000\nRRULE:FREQ=WEEKLY;BYDAY=TU"
    # 2026-11-01T08:00 in Berlin is 07:00Z: the clock went back on 25 October
    assert (made.engine_hours, made.engine_hours_at) == (812.4, 1_793_516_400)
    assert (site.time_zone, site.lat, site.lon) == ("Europe/Berlin", 48.137, 11.575)
    assert (made.model, made.serial, made.contact) == ("=7", "-1", "@Anna")
    facts = unscoped.device_facts(reg)["D1"]
    assert (facts.unit, facts.group) == ("U1", "north")


def test_what_is_left_out_has_its_default(lite: Registry) -> None:
    """docs/engineering/signal.md#thresholds: off threshold 90 % of on; hold 0 s on, 30 s off."""
    take(lite, row())
    made = unit(lite)
    assert made.running == RunningSignal(first=SignalChannel("ac_v", 200.0, 180.0))
    assert (made.running.hold_on_s, made.running.hold_off_s) == (0, 30)
    assert (made.battery_nominal_v, made.habit, made.device) == (12.0, None, "U1")


@pytest.mark.parametrize(
    ("text", "habit"),
    [
        ("STEADY 600 30", Habit(standing_s=600, running_s=30, source="register")),
        ("steady 600", Habit(standing_s=600, running_s=600, source="register")),
        ("on_change 86400", Habit(mode="on_change", heartbeat_s=86400, source="register")),
        (
            "sleeping 21600",
            Habit(mode="sleeping", standing_s=21600, running_s=21600, source="register"),
        ),
        (
            '{"mode": "steady", "standing_s": 900, "running_s": 60}',
            Habit(standing_s=900, running_s=60, source="register"),
        ),
    ],
)
def test_habits(lite: Registry, text: str, habit: Habit) -> None:
    take(lite, row(habit=text))
    assert unit(lite).habit == habit


@pytest.mark.parametrize(
    ("changes", "column", "says"),
    [
        ({"customer": ""}, "customer", "is missing"),
        ({"unit": "a b"}, "unit", "an id has 1 to 64 letters"),
        ({"unit": "x" * 65}, "unit", "an id has 1 to 64 letters"),
        ({"nominal_v": "lots"}, "nominal_v", "expected a number"),
        ({"nominal_v": "1,000"}, "nominal_v", "can be read two ways"),
        ({"nominal_v": "5"}, "nominal_v", "expected a number from 10 to 1000"),
        ({"fuel": "coal"}, "fuel", "expected one of petrol, natural_gas"),
        ({"fuel": "disel"}, "fuel", "Did you mean diesel?"),
        ({"cylinders": "2.5"}, "cylinders", "expected a whole number"),
        ({"idle_down": "maybe"}, "idle_down", "expected yes or no"),
        ({"phases": "2"}, "phases", "expected one of 1, split, 3"),
        ({"battery_nominal_v": "14"}, "battery_nominal_v", "expected 12 or 24"),
        ({"battery_fitted": "03/01/2025"}, "battery_fitted", "expected a date such as"),
        ({"battery_fitted": "2025-02-30"}, "battery_fitted", "expected a date such as"),
        ({"engine_hours": "1", "engine_hours_at": "soon"}, "engine_hours_at", "expected a time"),
        (
            {"engine_hours": "1", "engine_hours_at": "2030-01-01"},
            "engine_hours_at",
            "in the future",
        ),
        ({"running_signal": "acv"}, "running_signal", "Did you mean ac_v?"),
        ({"running_off": "210"}, "running_off", "above running_on (200)"),
        ({"running_signal_2": "charge_v"}, "running_on_2", "is missing"),
        ({"running_on_2": "9"}, "running_signal_2", "is missing"),
        ({"habit": "steady"}, "habit", "expected 'steady 900 60'"),
        ({"habit": "often 5"}, "habit", "expected one of steady, on_change, sleeping"),
        ({"habit": '{"standng_s": 5}'}, "habit", "Did you mean standing_s?"),
        ({"exercise": "every Tuesday"}, "exercise", "expected 'DTSTART:"),
        ({"exercise": "RRULE:FREQ=WEEKLY"}, "exercise", "expected 'DTSTART:"),
        ({"exercise": "DTSTART:20260106T100000Z RRULE:FREQ=WEEKLY"}, "exercise", "local time"),
        (
            {"exercise": "DTSTART:20260106T100000 RRULE:FREQ=OFTEN"},
            "exercise",
            "expected 'DTSTART:",
        ),
        ({"exercise": "DTSTART:20260106T100000 RRULE:FREQ=HOURLY"}, "exercise", "daily at most"),
        ({"service_plan": "air_sprak"}, "service_plan", "Did you mean air_spark?"),
        ({"time_zone": "Europe/Berln"}, "time_zone", "is not a time zone"),
        ({"time_zone": ""}, "time_zone", "give the place or the zone"),
        ({"lat": "48.1"}, "lon", "give both, or neither"),
        ({"lat": "111.5", "lon": "48.1"}, "lat", "are lat and lon swapped?"),
        ({"lat": "11.5", "lon": "190"}, "lon", "expected a number from -180 to 180"),
        ({"time_zone": "", "lat": "0", "lon": "-30"}, "time_zone", "which is at sea"),
        ({"colling": "air"}, "colling", "Did you mean cooling?"),
        ({"make": "x" * 501}, "make", "at most 500"),
    ],
)
def test_a_wrong_cell_is_named_and_nothing_is_written(
    lite: Registry, changes: dict[str, Any], column: str, says: str
) -> None:
    report = import_units(lite, [row("GOOD"), row(**changes)], NOW, "office")
    assert not report.written
    assert [(p.row, p.column) for p in report.problems] == [(2, column)]
    assert says in report.problems[0].message
    assert str(report.problems[0]).startswith(f"row 2, {column}: ")
    assert lists.units(lite, EVERYTHING) == []
    partly = import_units(lite, [row("GOOD"), row(**changes)], NOW, "office", partial=True)
    assert (partly.added, partly.refused, partly.written) == (1, 1, True)
    assert [u.unit.id for u in lists.units(lite, EVERYTHING)] == ["GOOD"]


def test_rows_are_held_against_each_other(lite: Registry) -> None:
    rows = [
        row("A", device="D1", lat="48.1", lon="11.5"),
        row("A"),
        row("B", device="D1"),
        row("C", lat="48.2", lon="11.5"),
    ]
    report = import_units(lite, rows, NOW, "office")
    assert [(p.row, p.column) for p in report.problems] == [(2, "unit"), (3, "device"), (4, "lat")]
    assert "is in row 1 too" in report.problems[0].message
    assert "48.1 in row 1" in report.problems[2].message


def test_a_device_of_another_unit_is_not_taken_by_an_import(reg: Registry) -> None:
    take(reg, row("A", device="D1"))
    report = import_units(reg, [row("B", device="D1")], NOW, "office")
    assert "speaks for unit A now: to move it, record a fitting" in report.problems[0].message


def test_the_same_import_again_changes_nothing(reg: Registry) -> None:
    take(reg, FULL, row("U2"))
    clear(reg)
    version, seen = unscoped.facts_version(reg), lists.latest_change(reg, EVERYTHING)
    report = import_units(reg, [FULL, row("U2")], NOW + 999, "office")
    assert (report.added, report.changed, report.unchanged) == (0, 0, 2)
    assert (unscoped.facts_version(reg), lists.latest_change(reg, EVERYTHING)) == (version, seen)
    assert unscoped.touched_units(reg, 9) == []
    assert len(lists.records(reg, EVERYTHING, "U1")) == 1


def test_changes_touch_what_they_concern(reg: Registry) -> None:
    take(reg, row("A"), row("B"), row("C", site="Other"))
    clear(reg)
    report = import_units(
        reg,
        [row("A", phone="1"), row("B", running_on="150"), row("C", site="Other")],
        NOW,
        "office",
    )
    assert (report.changed, report.unchanged) == (2, 1)
    assert days_of(unscoped.touched_units(reg, 9)) == {"A": [(TODAY, True)], "B": [(0, True)]}
    clear(reg)
    take(reg, row("A", time_zone="Europe/Madrid"))
    assert days_of(unscoped.touched_units(reg, 9)) == {"A": [(0, True)], "B": [(0, True)]}


def test_columns_left_out_and_empty_cells_stay_and_none_empties(reg: Registry) -> None:
    take(reg, FULL)
    take(
        reg,
        {
            "unit": "U1",
            "phone": "112",
            "tank_l": "",
            "make": None,
            "habit": math.nan,
            "rated_kw": "(None)",
            "running_signal_2": " (none) ",
        },
    )
    made = unit(reg)
    assert (made.phone, made.tank_l, made.make, made.rated_kw) == ("112", 200.0, "Acme", None)
    assert made.habit is not None
    assert made.running.second is None


def test_the_moment_of_new_engine_hours_is_not_that_of_the_old(lite: Registry) -> None:
    take(lite, row(engine_hours="100", engine_hours_at="2026-11-01T08:00"))
    first = unit(lite).engine_hours_at
    take(lite, row(engine_hours="100,0", engine_hours_at=""))
    assert unit(lite).engine_hours_at == first
    take(lite, row(engine_hours="140", engine_hours_at=""))
    assert unit(lite).engine_hours_at == NOW


def test_words_are_known_in_any_letters_and_blanks(lite: Registry) -> None:
    take(
        lite,
        row(
            time_zone=" europe/berlin ",
            cooling=" LIQUID",
            fuel="Natural Gas",
            phases="Split",
            performance_class="g2",
            battery_chemistry="Agm ",
            charger="ON-OFF",
            running_signal=" AC_V ",
            placement="Engine-Room",
            criticality="BUSINESS ",
            running_join="BOTH",
            service_plan="Air_Spark",
            habit='{"mode": "Sleeping", "standing_s": 600}',
            nfpa_110="YES",
            exercise=" dtstart: 20260106T100000  rrule: freq=weekly ; byday = tu ",
        ),
    )
    found = lists.unit(lite, EVERYTHING, "U1")
    assert found is not None
    made = found.unit
    assert (found.site.time_zone, made.service_plan, made.fuel) == (
        "Europe/Berlin",
        "air_spark",
        "natural_gas",
    )
    assert (made.charger, made.placement, made.phases) == ("on_off", "engine_room", "split")
    assert made.exercise == "DTSTART:20260106T100000\nRRULE:FREQ=WEEKLY;BYDAY=TU"
    assert made.habit is not None
    assert made.habit.mode == "sleeping"


@pytest.mark.parametrize("column", ["unit", "site", "nominal_v", "service_plan", "device"])
def test_what_a_set_cannot_be_without_cannot_be_emptied(lite: Registry, column: str) -> None:
    take(lite, row())
    report = import_units(lite, [row(**{column: "(none)"})], NOW, "office")
    assert not report.written
    assert column in {problem.column for problem in report.problems}


def test_one_row_moves_a_site_and_the_others_leave_it_alone(lite: Registry) -> None:
    take(lite, row("A", address="Old Road 1"), row("B"))
    for rows in (
        [row("A", address="New Road 2", time_zone=""), row("B", address="", time_zone="")],
        [row("B", address="", time_zone=""), row("A", address="Newer Road 3", time_zone="")],
    ):
        take(lite, *rows)
        sites = {u.id: s for u, s, _, _ in lists.units(lite, EVERYTHING)}
        wanted = next(r["address"] for r in rows if r["address"])
        assert (sites["A"].address, sites["B"].address) == (wanted, wanted)
        assert sites["A"].time_zone == "Europe/Berlin"
    take(lite, row("A", address="(none)"))
    assert {s.address for _, s, _, _ in lists.units(lite, EVERYTHING)} == {""}


def test_a_set_moved_to_another_site_does_not_take_the_place_along(lite: Registry) -> None:
    take(
        lite,
        row("A", site="One", address="First Road"),
        row("B", site="Two", address="Second Road", time_zone="Europe/Madrid"),
    )
    take(lite, {"unit": "A", "site": "Two", "address": "", "time_zone": ""})
    sites = {u.id: s for u, s, _, _ in lists.units(lite, EVERYTHING)}
    assert sites["A"] == sites["B"]
    assert (sites["A"].address, sites["A"].time_zone) == ("Second Road", "Europe/Madrid")


def test_an_import_says_what_it_changed_row_by_row(lite: Registry) -> None:
    take(lite, row("A"), row("B", tank_l="90"))
    report = import_units(
        lite, [row("A"), row("B", tank_l="(none)", fuel="lpg", area=""), row("C")], NOW, "office"
    )
    assert (report.added, report.changed, report.unchanged) == (1, 1, 1)
    assert [str(change) for change in report.changes] == ["row 2, B: fuel, tank_l", "row 3, C: new"]


BLANKS = st.sampled_from(["", "  ", None, math.nan])


def _register() -> st.SearchStrategy[dict[str, Any]]:
    """A full row, some of its cells other ones."""
    other = {
        "address": ["Hill 1", "Hill 2"],
        "area": ["Lakes", "Fells"],
        "make": ["Acme", "Apex"],
        "cooling": ["air", "liquid"],
        "fuel": ["diesel", "lpg"],
        "cylinders": ["2", "6"],
        "inverter": ["yes", "no"],
        "rated_kw": ["10", "20,5"],
        "phases": ["1", "split", "3"],
        "battery_nominal_v": ["12", "24"],
        "charger": ["none", "float"],
        "running_on": ["180", "220"],
        "running_hold_s": ["20", "45"],
        "habit": ["on_change 86400", "sleeping 21600"],
        "service_plan": ["air_spark", "liquid_diesel"],
        "last_service": ["2026-01-02", "2026-03-04"],
        "exercise_minutes": ["15", "30"],
        "tank_l": ["50", "500"],
        "placement": ["outdoors", "portable"],
        "criticality": ["home", "business"],
        "contact": ["Bo", "Cy"],
        "phone": ["1", "22"],
        "sim": ["1", "2"],
        "laid_up_to": ["2027-06-01", "2027-07-01"],
        "technician": ["Al", "Di"],
        "nfpa_110": ["yes", "no"],
        "volts_band_pct": ["5", "8"],
        "fuel_hours": ["8", "12"],
        "warranty_to": ["2028-01-01", "2029-01-01"],
        "group": ["north", "south"],
    }
    some = st.fixed_dictionaries({}, optional={n: st.sampled_from(v) for n, v in other.items()})
    return some.map(lambda changes: FULL | {"running_off": "150"} | changes)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(first=_register(), second=_register(), blank=st.data())
def test_blanked_cells_keep_and_the_others_take_effect(
    tmp_path_factory: pytest.TempPathFactory, first: Any, second: Any, blank: Any
) -> None:
    """Any register, any second import of it with any cells blank, None, NaN or left out: the same
    as that import with the first one's cells in their place."""
    blanked = {n for n in second if n != "unit" and blank.draw(st.booleans(), label=n)}
    given_row = {n: v for n, v in second.items() if n not in blanked}
    for name in blanked:
        if blank.draw(st.booleans(), label=f"{name} there"):
            given_row[name] = blank.draw(BLANKS, label=f"blank {name}")
    filled = {
        n: first[n] if n in blanked else v
        for n, v in second.items()
        if n in first or n not in blanked
    }
    found = []
    for rows in ([first, given_row], [first, filled]):
        reg = registry_at(tmp_path_factory.mktemp("r") / "r.db")
        for one in rows:
            take(reg, one)
        found.append(json.loads(export_units(reg, EVERYTHING, "json")))
        reg.close()
    assert found[0] == found[1]


@pytest.mark.parametrize("fmt", ["csv", "json", "parquet"])
def test_what_was_exported_changes_nothing_when_it_comes_back(
    lite: Registry, tmp_path: Path, fmt: Any
) -> None:
    take(lite, FULL, row("U2", device="D2"), row("U3", site="Other", habit="on_change 86400"))
    file = tmp_path / f"units.{fmt}"
    file.write_bytes(export_units(lite, EVERYTHING, fmt))
    before = json.loads(export_units(lite, EVERYTHING, "json"))
    report = import_units(lite, file, NOW + 900, "office")
    assert report.ok, [str(problem) for problem in report.problems]
    assert (report.unchanged, report.changes) == (3, ())
    assert json.loads(export_units(lite, EVERYTHING, "json")) == before


def test_names_make_ids_and_customers_never_merge(lite: Registry) -> None:
    take(
        lite,
        row("A", customer="Müller & Söhne", site="Büro"),
        row("B", customer="Muller Sohne", site="Buro"),
        row("C", customer="MÜLLER &  söhne", site="BÜRO"),
        row("D", customer="株式会社", site="東京"),
    )
    found = {u.id: (s.id, c.id, c.name) for u, s, c, _ in lists.units(lite, EVERYTHING)}
    assert found["A"] == found["C"] == ("muller-sohne-buro", "muller-sohne", "Müller & Söhne")
    assert found["B"][1] not in (found["A"][1], "")
    assert found["D"][2] == "株式会社"
    assert len({customer for _, customer, _ in found.values()}) == 3


def test_two_sets_at_two_sites_of_one_name(lite: Registry) -> None:
    take(lite, row("A", customer="X", site="Main"), row("B", customer="Y", site="Main"))
    assert len({s.id for _, s, _, _ in lists.units(lite, EVERYTHING)}) == 2


def test_a_unit_without_device_has_the_one_of_its_id_unless_taken(reg: Registry) -> None:
    take(reg, row("A"), row("B", device="C"), row("C"))
    assert [unit(reg, id).device for id in "ABC"] == ["A", "C", ""]


def test_a_device_changed_before_the_old_was_heard_is_a_correction(reg: Registry) -> None:
    take(reg, row(device="TYPO"))
    take(reg, row(device="D1"), now=NOW + 5)
    inputs = unscoped.unit_inputs(reg, "U1")
    assert inputs is not None
    assert [(f.device, f.from_at) for f in inputs.fittings] == [("D1", None)]


def test_a_device_changed_after_it_was_heard_is_a_swap_from_now_on(reg: Registry) -> None:
    """docs/engineering/calibration.md#whose-it-is: a swapped board needs no rewriting."""
    take(reg, row(device="D1"))
    unscoped.pulse(reg, PulseBatch(now=NOW, pulses=[Pulse(device="D1", heard_at=NOW)]))
    take(reg, row(device="D2"), now=NOW + 5)
    inputs = unscoped.unit_inputs(reg, "U1")
    assert inputs is not None
    assert [(f.device, f.from_at, f.to_at) for f in inputs.fittings] == [
        ("D1", None, NOW + 5),
        ("D2", NOW + 5, None),
    ]
    assert [(r.kind, r.by) for r in inputs.records] == [("fitting", "office")]
    take(reg, row(device="D2"), now=NOW + 9)
    assert unscoped.unit_inputs(reg, "U1") == inputs


def test_a_spare_that_spoke_for_another_unit_keeps_its_history(reg: Registry) -> None:
    take(reg, row("A", device="OLD"))
    unscoped.pulse(reg, PulseBatch(now=NOW, pulses=[Pulse(device="OLD", heard_at=NOW)]))
    take(reg, row("A", device="NEW"), now=NOW + 5)
    take(reg, row("OLD"), row("B", device="OLD"), now=NOW + 9)
    a, b = unscoped.unit_inputs(reg, "A"), unscoped.unit_inputs(reg, "B")
    assert a is not None
    assert b is not None
    assert [(f.device, f.to_at) for f in a.fittings] == [("OLD", NOW + 5), ("NEW", None)]
    assert [(f.device, f.from_at) for f in b.fittings] == [("OLD", NOW + 9)]
    assert unit(reg, "OLD").device == ""


def test_engine_hours_become_an_anchor_and_a_correction_corrects(reg: Registry) -> None:
    def anchors() -> list[tuple[float, int]]:
        inputs = unscoped.unit_inputs(reg, "U1")
        assert inputs is not None
        return [(r.facts["hours"], r.at) for r in inputs.records if r.kind == "hour_meter"]

    take(reg, row(engine_hours="812.4", engine_hours_at="2026-11-01T07:00:00Z"))
    at = 1_793_516_400
    assert anchors() == [(812.4, at)]
    for hours in ("821.4", "812.4", "821.4"):
        take(reg, row(engine_hours=hours, engine_hours_at="2026-11-01T07:00:00Z"))
        assert anchors() == [(float(hours), at)]
    take(reg, row(engine_hours="830", engine_hours_at="2026-11-20T07:00:00Z"))
    assert anchors() == [(821.4, at), (830.0, at + 19 * 86_400)]


def test_engine_hours_without_a_moment_are_of_the_first_import(lite: Registry) -> None:
    take(lite, row(engine_hours="812.4"))
    take(lite, row(engine_hours="812.4"), now=NOW + 86_400)
    assert unit(lite).engine_hours_at == NOW


@pytest.mark.parametrize("fmt", ["csv", "json"])
def test_an_export_comes_back_as_it_was(reg: Registry, tmp_path: Path, fmt: Any) -> None:
    take(reg, FULL, row("U2", lat="-33.9", lon="-70.5", site="South", time_zone=""))
    before = [(u, s, c) for u, s, c, _ in lists.units(reg, EVERYTHING)]
    path = tmp_path / f"register.{fmt}"
    path.write_bytes(export_units(reg, EVERYTHING, fmt))
    report = import_units(reg, path, NOW + 5, "office")
    assert (report.problems, report.unchanged) == ((), 2)
    assert [(u, s, c) for u, s, c, _ in lists.units(reg, EVERYTHING)] == before


@pytest.mark.parametrize("fmt", ["csv", "json", "parquet"])
def test_a_set_without_a_device_has_none_in_another_folder(
    lite: Registry, tmp_path: Path, fmt: Any
) -> None:
    """Of a new set an empty cell would name a device of the set's own id."""
    take(lite, row("BARE", device="(none)"), row("OWN", site="Other", device=""))
    path = tmp_path / f"register.{fmt}"
    path.write_bytes(export_units(lite, EVERYTHING, fmt))
    assert import_units(lite, path, NOW + 5, "office").unchanged == 2
    other = registry_at(tmp_path / "new.db")
    assert import_units(other, path, NOW + 9, "office").added == 2
    devices = {u.id: u.device for u, *_ in lists.units(other, EVERYTHING)}
    assert devices == {"BARE": "", "OWN": "OWN"}
    assert export_units(other, EVERYTHING, fmt) == path.read_bytes()
    other.close()


def test_no_cell_of_an_export_is_a_formula(lite: Registry) -> None:
    take(lite, FULL, row("U2", make="+1", model="@x", contact="=HYPERLINK(1)", site="-2"))
    rows = list(csv.reader(io.StringIO(export_units(lite, EVERYTHING, "csv").decode())))
    for line in rows[1:]:
        for name, cell in zip(rows[0], line, strict=True):
            assert name in ("lat", "lon") or cell[:1] not in ("=", "+", "-", "@", "\t", "\r"), cell


def test_an_export_holds_the_scope(reg: Registry) -> None:
    take(reg, row("A", customer="X"), row("B", customer="Y"))
    found = json.loads(export_units(reg, Scope(frozenset({"x"})), "json"))
    assert [one["unit"] for one in found] == ["A"]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_csv_files_of_any_office(lite: Registry, tmp_path: Path, separator: str) -> None:
    path = tmp_path / "register.csv"
    names = list(row())
    line = separator.join(str(value) for value in row().values())
    path.write_bytes(b"\xef\xbb\xbf" + f"{separator.join(names)}\r\n{line}\r\n\r\n".encode())
    assert import_units(lite, path, NOW, "office").added == 1


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.csv", b"", "is empty"),
        ("a.csv", b"unit,unit\n1,2\n", "names the column unit twice"),
        ("a.csv", b"unit\n\xff\n", "Save it as UTF-8"),
        ("a.json", b"{", "is not valid JSON"),
        ("a.json", b"7", "must be a JSON array"),
        ("a.json", b'{"a": 1, "b": 2}', "must be a JSON array"),
    ],
)
def test_files_that_cannot_be_read(
    lite: Registry, tmp_path: Path, name: str, content: bytes, says: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(RegistryFault, match=says):
        import_units(lite, tmp_path / name, NOW, "office")


def test_too_many_cells_are_a_problem_not_a_shift(lite: Registry, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(",".join(row()) + "\n" + ",".join(row().values()) + ",surplus\n")
    report = import_units(lite, path, NOW, "office")
    assert [p.column for p in report.problems] == ["(too many cells)"]


def test_parquet_names_its_extra(
    lite: Registry, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(
        sys.modules, "pyarrow", None
    )  # what an import of it meets without the extra
    (tmp_path / "a.parquet").write_bytes(b"PAR1")
    with pytest.raises(RegistryFault, match=r"hourhand\[parquet\]"):
        import_units(lite, tmp_path / "a.parquet", NOW, "office")
    with pytest.raises(RegistryFault, match=r"hourhand\[parquet\]"):
        export_units(lite, EVERYTHING, "parquet")


def test_parquet_round_trip(lite: Registry, tmp_path: Path) -> None:
    take(lite, FULL)
    path = tmp_path / "register.parquet"
    path.write_bytes(export_units(lite, EVERYTHING, "parquet"))
    report = import_units(lite, path, NOW + 5, "office")
    assert (report.problems, report.unchanged) == ((), 1)


def test_parquet_with_numbers_and_dates_is_read_as_its_texts_are(
    lite: Registry, tmp_path: Path
) -> None:
    """A table program writes numbers and dates as such, and empty cells as nothing."""
    from pyarrow import Table, parquet

    typed: dict[str, Any] = dict(row())
    typed |= {
        "nominal_v": 230,
        "lat": 54.6,
        "lon": -3.14,
        "rated_kw": 12.5,
        "battery_ah": None,
        "battery_fitted": date(2024, 5, 3),
    }
    path = tmp_path / "typed.parquet"
    parquet.write_table(Table.from_pylist([typed]), path)
    assert import_units(lite, path, NOW, "office").problems == ()
    texts = {k: "" if v is None else str(v) for k, v in typed.items()}
    again = tmp_path / "texts.csv"
    again.write_text(",".join(texts) + "\n" + ",".join(texts.values()) + "\n")
    report = import_units(lite, again, NOW + 5, "office")
    assert (report.problems, report.unchanged) == ((), 1)


def test_a_broken_parquet_file_is_refused_in_a_sentence(lite: Registry, tmp_path: Path) -> None:
    for n, content in enumerate((b"", b"PAR1", b"unit\nset-1\n", b"PAR1" + b"\0" * 40 + b"PAR1")):
        path = tmp_path / f"{n}.parquet"
        path.write_bytes(content)
        with pytest.raises(RegistryFault, match=f"{n}.parquet is not a Parquet file"):
            import_units(lite, path, NOW, "office")


def test_shipped_plans_cover_the_classes_and_name_their_source() -> None:
    assert [plan.id for plan in SHIPPED] == [
        "air_spark",
        "air_diesel",
        "liquid_spark",
        "liquid_diesel",
    ]
    for plan in SHIPPED:
        ids = [task.id for task in plan.tasks]
        assert len(ids) == len(set(ids))
        for task in plan.tasks:
            assert task.source, (plan.id, task.id)
            assert task.every_h or task.every_months
            assert task.minutes > 0
            assert "load" not in task.id


def test_shipped_oil_keeps_the_american_limit() -> None:
    """40 CFR 63 subpart ZZZZ, tables 2c and 2d: oil and filter every 500 h or yearly."""
    for plan in SHIPPED:
        (oil,) = [task for task in plan.tasks if task.id == "oil_filter"]
        assert oil.every_h is not None
        assert oil.every_h <= 500
        assert oil.every_months == 12
        assert oil.first_h is not None
        assert oil.first_h < oil.every_h


PLAN: list[dict[str, Any]] = [
    {
        "plan": "ours",
        "plan_name": "Our own",
        "task": "oil",
        "name": "Oil",
        "every_hours": "150",
        "every_months": "12",
        "first_hours": "20",
        "tolerance": "0 %",
        "tolerance_days": "0",
        "anchor": "Fixed",
        "minutes": "30",
        "parts": "oil_l:1.5; oil_filter",
        "resets": "check",
    },
    {"plan": "ours", "task": "check", "every_months": 6},
]


def test_plans_are_imported_and_their_units_computed_again(reg: Registry) -> None:
    report = import_plans(reg, PLAN, NOW, "office")
    assert (report.added, report.problems) == (1, ())
    take(reg, row(service_plan="ours"), row("U2"))
    clear(reg)
    inputs = unscoped.unit_inputs(reg, "U1")
    assert inputs is not None
    assert inputs.plan is not None
    oil = inputs.plan.tasks[0]
    assert (oil.every_h, oil.first_h, oil.tolerance, oil.anchor) == (150.0, 20.0, 0.0, "fixed")
    assert (oil.parts, oil.resets) == ({"oil_l": 1.5, "oil_filter": 1.0}, ("check",))
    assert import_plans(reg, PLAN, NOW, "office").unchanged == 1
    assert unscoped.touched_units(reg, 9) == []
    changed = [{**PLAN[0], "every_hours": 200}, PLAN[1]]
    assert import_plans(reg, changed, NOW, "office").changed == 1
    assert days_of(unscoped.touched_units(reg, 9)) == {"U1": [(TODAY, True)]}


@pytest.mark.parametrize(
    ("changes", "column", "says"),
    [
        ({"plan": "air_spark"}, "plan", "give your copy another id"),
        ({"every_hours": "", "every_months": ""}, "every_hours", "a task needs one of them"),
        ({"tolerance": "150 %"}, "tolerance", "expected a number from 0 to 100"),
        ({"anchor": "drifting"}, "anchor", "expected one of floating, fixed"),
        ({"every_hour": "5"}, "every_hour", "Did you mean every_hours?"),
        ({"task": "check"}, "task", "is there twice"),
    ],
)
def test_a_wrong_plan_row_is_named(
    lite: Registry, changes: dict[str, Any], column: str, says: str
) -> None:
    report = import_plans(lite, [PLAN[1], {**PLAN[0], **changes}], NOW, "office")
    assert not report.written
    assert [(p.row, p.column) for p in report.problems] == [(2, column)]
    assert says in report.problems[0].message


def test_the_module_offers_what_others_use() -> None:
    assert set(register.__all__) == {"import_units", "export_units", "import_plans"}
