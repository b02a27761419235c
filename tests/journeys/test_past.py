"""What is said of a set's past counts from the last swap: battery, device, calibration, part.

Each test swaps something in the middle; what was measured before was measured of something else.
"""

from __future__ import annotations

import ast
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest
from batteries import DAY_S, METER, Planted, floating, lost, run_days, sagging, then
from fuel_looks import look as fuel_look
from like_starts import planted as like_starts
from one_unit import T0, UNIT, inputs
from readiness_lives import life
from supply_verdicts import KNOWS, known, run_day
from supply_verdicts import kinds as supply_kinds
from supply_verdicts import one as finding_of
from supply_verdicts import record as part_record
from supply_verdicts import verdict as supply_verdict

from dashboard.views import battery as battery_words
from dashboard.views import readiness as answer
from dashboard.views import readings as bars
from dashboard.views import supply as supply_words
from fleet import words
from fleet.model import (
    Calibration,
    Fitting,
    HoursRise,
    Latest,
    MainsNow,
    Pulse,
    Record,
    Run,
    StartDemand,
    Unit,
)
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import Assessment, assess
from scheduler.assess import starts as starting
from scheduler.day import Carry, Day
from scheduler.rules.hours import MeterCarry

ZONE = "Europe/Madrid"
AIR = 12.0
DAYS = 44
WEEKLY = tuple(range(3, 44, 7))
HALF = 20
"""The day on which something is swapped."""


def refitted(day: float = HALF) -> tuple[Fitting, ...]:
    """Another board from a day on."""
    at = int(T0 + day * DAY_S)
    return (
        Fitting(id="F", device="D", unit="U", to_at=at),
        Fitting(id="G", device="D", unit="U", from_at=at),
    )


def changed(part: str, day: float, **facts: Any) -> Record:
    at = int(T0 + day * DAY_S)
    return Record(
        id=f"{part}{day}",
        at=at,
        by="Dee",
        unit="U",
        kind="part_changed",
        facts={"part": part, **facts},
    )


def assessed(
    planted: Planted,
    *,
    unit: Unit = UNIT,
    records: tuple[Record, ...] = (),
    fittings: tuple[Fitting, ...] = (),
    calibrations: tuple[Calibration, ...] = (METER,),
    until: int = 0,
) -> Assessment:
    """The verdict at the end of the last day, or of day `until`."""
    planted = msgspec.structs.replace(planted, days=until or planted.days)
    now = T0 + planted.days * DAY_S
    given = msgspec.structs.replace(
        inputs(now - 60, 231.0, unit), records=records, calibrations=calibrations
    )
    if fittings:
        given = msgspec.structs.replace(given, fittings=fittings)
    days = run_days(planted, unit, given)
    last = {name: Latest(spot.last_at, spot.last) for name, spot in days[-1].spots.items()}
    pulse = Pulse(device="D", heard_at=now - 60, newest_at=now - 60, latest=last)
    return assess(msgspec.structs.replace(given, pulses=(pulse,)), days, now)


def cranking(low: float, days: int = DAYS) -> Planted:
    return Planted(
        volts=floating,
        days=days,
        runs=WEEKLY,
        crank=dict.fromkeys(WEEKLY, low),
        air_c=lambda d: AIR + 0 * d,
    )


def says(found: Assessment) -> str:
    panel = battery_words.panel(found, (), ZONE, found.at)
    assert panel is not None
    return str(panel.said)


# The battery.


def test_cranking_low_is_counted_since_the_battery_was_fitted() -> None:
    """Low at all six starts, the battery new before the last four: the sentence is about four."""
    whole = assessed(cranking(8.2))
    assert (whole.battery.verdict, whole.battery.why) == ("watch", "low")
    assert "at 6 of 6 measured starts since 28 Nov 2026" in says(whole)
    swapped = assessed(cranking(8.2), records=(changed("battery", 12),))
    assert "at 4 of 4 measured starts since 12 Dec 2026" in says(swapped)
    weak = next(f for f in swapped.findings if f.kind == "battery_weak")
    assert (
        "at 4 of 4 measured starts since 12 Dec 2026" in words.sentence(weak, ZONE, swapped.at).seen
    )
    for found in (whole, swapped):
        assert not re.search(r"\b(always|ever|never)\b", says(found))


def test_cranking_low_by_the_board_before_says_nothing_of_this_one() -> None:
    """Five low starts by a board that read a volt short, then one good one by the next board."""
    planted = cranking(8.2)
    planted = msgspec.structs.replace(planted, crank=planted.crank | {WEEKLY[-1]: 9.9})
    found = assessed(planted, fittings=refitted(WEEKLY[-1] - 1))
    assert (found.battery.verdict, found.battery.why) == ("good", "cranking")
    assert (found.battery.cranking.below, found.battery.cranking.like_starts) == (0, 1)
    assert found.battery.cranking.starts == 6, "this battery's starts are six all the same"
    again = assessed(cranking(8.2), fittings=refitted(WEEKLY[-3] - 1))
    assert "at 3 of 3 measured starts since" in says(again)


def test_a_calibration_begins_anew_too() -> None:
    later = Calibration(
        id="C2",
        fitting="F",
        channel="crank_min_v",
        gain=1.0,
        offset=0.0,
        from_at=T0 + (WEEKLY[-1] - 1) * DAY_S,
    )
    found = assessed(cranking(8.2), calibrations=(METER, later))
    assert found.battery.cranking.like_starts == 1
    assert found.battery.why != "low"


def test_a_fall_across_a_swapped_board_is_no_fall() -> None:
    """10.2 V by the old board, 9.3 V by the new one, which has seen two starts."""
    planted = cranking(10.2)
    low = dict.fromkeys(WEEKLY[-2:], 9.3)
    planted = msgspec.structs.replace(planted, crank=planted.crank | low)
    assert assessed(planted).battery.why == "cranking", "fallen by 0.9 V and under its limit"
    swapped = assessed(planted, fittings=refitted(WEEKLY[-2] - 1))
    assert swapped.battery.why == "low"
    assert "at 2 of 2 measured starts since" in says(swapped)


def test_a_start_before_the_battery_was_fitted_proves_nothing_of_it() -> None:
    charged = msgspec.structs.replace(UNIT, charger="float")
    planted = Planted(volts=floating, days=30, runs=(24,))
    seen = assessed(planted, unit=charged)
    assert seen.battery.why == "start"
    assert "cranked the engine at the last start" in says(seen)
    new = assessed(planted, unit=charged, records=(changed("starter battery", 26),))
    assert new.battery.verdict == "not_enough_data"
    assert "last start" not in says(new)


def test_the_usual_volts_are_those_of_this_board() -> None:
    shifted = then(floating, HALF, lambda d: floating(d) - 0.5)
    found = assessed(Planted(volts=shifted, days=34), fittings=refitted())
    assert found.battery.usual_high_v is not None
    assert found.battery.usual_high_v < 13.3, "the old board's 13.7 V are not in it"
    early = assessed(Planted(volts=shifted, days=34), fittings=refitted(), until=HALF + 3)
    assert early.battery.usual_low_v is None, "three days are too few to say"


def test_a_battery_fitted_today_is_not_uncharged_since_last_week() -> None:
    """Its charger is gone for days; the new battery was fitted six hours ago, and has its own day."""
    planted = Planted(volts=then(floating, 30, lost), days=38)
    since = assessed(planted).battery.charge.fault_since
    assert since is not None
    assert since < T0 + 31 * DAY_S
    new = assessed(planted, records=(changed("battery", 37.75),))
    assert new.battery.charge.fault == ""
    older = assessed(planted, records=(changed("battery", 34),))
    assert older.battery.charge.fault == "low"
    assert older.battery.charge.fault_since == T0 + 34 * DAY_S


def test_a_run_by_the_board_before_fails_no_cell() -> None:
    """12.1 V in the run by the old board, 10.6 V an hour after it by the new one, fitted between."""
    bare = msgspec.structs.replace(UNIT, charger="none")
    volts = then(sagging(0.01), 20, lambda d: 10.6 + 0 * d)
    planted = Planted(volts=volts, runs=(31,), running_v=12.1, days=32)
    assert assessed(planted, unit=bare).battery.why == "failed_cell"
    swapped = assessed(planted, unit=bare, fittings=refitted(31 + 10.4 / 24))
    assert swapped.battery.why != "failed_cell"


def test_a_rest_read_before_the_meter_check_is_history() -> None:
    """It read half a volt short, so its rests looked half empty; a meter put that right."""
    bare = msgspec.structs.replace(UNIT, charger="none")
    planted = Planted(volts=lambda d: 12.0 + 0 * d, days=30)
    assert assessed(planted, unit=bare).battery.rest.charge_pct is not None
    right = Calibration(
        id="C2",
        fitting="F",
        channel="battery_v",
        gain=1.0,
        offset=0.5,
        from_at=T0 + 30 * DAY_S - 300,
    )
    assert assessed(planted, unit=bare, calibrations=(METER, right)).battery.rest.at is None


def test_a_battery_that_is_to_be_fitted_is_not_in_yet() -> None:
    later = msgspec.structs.replace(UNIT, battery_fitted="2099-01-01")
    found = assessed(cranking(9.9), unit=later)
    assert found.battery.fitted_at is None
    assert found.battery.cranking.starts == 6


# Starting.


def demands() -> list[StartDemand]:
    found = []
    for start in like_starts(3, 40, grows_s=6.0):
        found.append(
            StartDemand(
                at=T0 + start.at,
                attempts=1,
                end="started",
                run_start=T0 + start.at + 5,
                crank_s=start.crank_s,
                temp_c=start.temp_c,
            )
        )
    return found


@pytest.mark.parametrize("swap", ["none", "board", "starter", "plugs by their date"])
def test_harder_starting_counts_since_the_board_and_the_parts(swap: str) -> None:
    starts = demands()
    at = T0 + 32 * 7 * DAY_S
    now = starts[-1].at + DAY_S
    given = inputs(now, 231.0)
    if swap == "board":
        given = msgspec.structs.replace(given, fittings=refitted(32 * 7))
    elif swap == "starter":
        given = msgspec.structs.replace(given, records=(changed("Starter motor", 32 * 7),))
    elif swap == "plugs by their date":
        day = datetime.fromtimestamp(at, UTC).date().isoformat()
        given = msgspec.structs.replace(
            given, records=(changed("spark plugs", (now - T0) / DAY_S, date=day),)
        )
    seen, found = starting.look(given, starts, now)
    kinds = {f.kind for f in found}
    assert ("harder_starting" in kinds) == (swap == "none")
    assert all(one.from_at >= at for one in seen.harder) or swap == "none"


# Volts and hertz.


def supply_inputs(day: float, unit: Unit = KNOWS, **over: Any) -> UnitInputs:
    """As the tests of the verdict on volts know it, with another board from a day on."""
    return msgspec.structs.replace(known(unit, **over), fittings=refitted(day))


def test_what_is_usual_counts_since_the_regulator() -> None:
    days = [run_day(n, volts=221.0 if n < 8 else 231.0) for n in range(16)]
    new = known(records=(part_record("part_changed", T0 + 8 * DAY_S, part="AVR"),))
    seen = supply_verdict(days, new)
    volts = seen.supply.volts
    assert volts is not None
    assert volts.runs == 8
    assert volts.usual_low is not None
    assert volts.usual_low > 230
    page = supply_words.measured(volts, ZONE, seen.at)
    assert dict(page.rows)["Usual here"].startswith("231 V, 8 runs since ")
    hertz = seen.supply.hertz
    assert hertz is not None
    assert hertz.runs == 16, "a regulator is no governor"


def test_hunting_is_over_with_a_new_governor_until_it_hunts_again() -> None:
    days = [run_day(n, swing=2.4 if n else 0.0) for n in range(3)]
    assert "hunting" in supply_kinds(supply_verdict(days))
    mended = known(records=(part_record("part_changed", T0 + 2 * DAY_S + 60_000, part="governor"),))
    assert "hunting" not in supply_kinds(supply_verdict(days, mended))
    one_more = [*days, run_day(3, swing=2.4)]
    assert "hunting" not in supply_kinds(supply_verdict(one_more, mended)), "one run, not two"
    again = supply_verdict([*one_more, run_day(4, swing=2.4)], mended)
    assert (
        "in 2 of its last 2 runs"
        in words.sentence(finding_of(again, "hunting"), ZONE, again.at).seen
    )


def test_a_drift_ends_with_the_part_that_drifted() -> None:
    days = [run_day(7 * n, volts=231.0 - max(0, n - 8) * 0.7) for n in range(34)]
    after = T0 + 7 * 33 * DAY_S + 60_000
    mended = known(records=(part_record("part_changed", after, part="AVR"),))
    seen = supply_verdict(days, mended)
    assert "voltage_drift" not in supply_kinds(seen)
    volts = seen.supply.volts
    assert volts is not None
    assert supply_words.over_time(volts, ZONE, seen.at).startswith("not judged: no run since")


def test_unbalance_counts_since_the_board() -> None:
    three = msgspec.structs.replace(KNOWS, phases="3", nominal_v=400.0)
    lines = dict(zip(("ac_l12_v", "ac_l23_v", "ac_l31_v"), (410.0, 417.0, 395.0), strict=True))
    days = [run_day(n, volts=407.0, more=lines) for n in range(2)]
    assert "unbalance" in supply_kinds(supply_verdict(days, known(three)))
    assert "unbalance" not in supply_kinds(supply_verdict(days, supply_inputs(1, three)))


def test_a_wrong_nominal_names_the_runs_it_stands_on() -> None:
    """Two runs at 230 V by the old board, three at 121 V by the new one."""
    days = [run_day(n, volts=231.0 if n < 2 else 121.0) for n in range(5)]
    assert "wrong_nominal" not in supply_kinds(supply_verdict(days))
    seen = supply_verdict(days, supply_inputs(2))
    said = words.sentence(finding_of(seen, "wrong_nominal"), ZONE, seen.at).seen
    assert "every one of its 3 runs since " in said
    one = supply_verdict(days[:3], supply_inputs(2))
    assert "its one run, " in words.sentence(finding_of(one, "wrong_nominal"), ZONE, one.at).seen


def test_a_board_whose_volts_were_never_seen_may_not_be_wired() -> None:
    """The earlier run showed its volts by the old board: it does not speak for the new leads."""
    days = [run_day(0), run_day(1, volts=3.0)]
    assert supply_kinds(supply_verdict(days, known(checked=False))) == {"no_output": "act_now"}
    swapped = supply_verdict(days, supply_inputs(0.9, checked=False))
    assert supply_kinds(swapped) == {"no_output": "note"}


def test_volts_out_of_band_say_that_the_part_was_changed_since() -> None:
    """Still open, since no run has shown that it helped; and said so."""
    days = [run_day(0), run_day(1, volts=203.0)]
    mended = known(records=(part_record("part_changed", T0 + DAY_S + 60_000, part="AVR"),))
    seen = supply_verdict(days, mended)
    said = words.sentence(finding_of(seen, "voltage_out"), ZONE, seen.at).seen
    assert "Its regulator, device or calibration was changed after that" in said
    assert seen.supply.out_at_last_run
    before = supply_verdict(days)
    assert "changed" not in words.sentence(finding_of(before, "voltage_out"), ZONE, before.at).seen
    good = supply_verdict([*days, run_day(2)], mended)
    assert supply_kinds(good) == {}


# Fuel, hours, mains, and the bars of the page.


def test_fuel_by_its_own_fall_counts_since_the_board() -> None:
    petrol = msgspec.structs.replace(UNIT, fuel="petrol", rated_kw=5.0, tank_l=25.0)
    readings = [
        (T0 + 900 * n, 80.0 if n < 8 else max(50.0, 80.0 - 2.5 * (n - 8))) for n in range(40)
    ]
    run = Run(start=T0 + 7200, end=T0 + 18_000, start_seen="observed", end_seen="observed")
    seen = fuel_look(readings, petrol, runs=(run,))
    assert seen.fuel.by == "trend"
    said = dict(answer.supplies(seen, [], ZONE, seen.at))["Reckoned"]
    assert "refill" not in said, "none was seen"
    assert said.startswith("as it has burnt since ")
    filled = [(t, 30.0 if n < 4 else v) for n, (t, v) in enumerate(readings)]
    after = fuel_look(filled, petrol, runs=(run,))
    assert "since its last refill, " in dict(answer.supplies(after, [], ZONE, after.at))["Reckoned"]


def metered(n: int, fitting: str, standing_h: float) -> Day:
    return Day(
        unit="U",
        day=T0 // DAY_S + n,
        first_at=T0 + n * DAY_S,
        last_at=T0 + n * DAY_S + 80_000,
        rise_standing_h=standing_h,
        standing_watched_s=82_800,
        carry=Carry(fitting=fitting, meter=MeterCarry(max_h=24.0 * n + 24)),
    )


def test_a_meter_that_counted_standing_is_told_of_the_board_it_was_on() -> None:
    def days(last: str, standing_h: float) -> list[Day]:
        found = [
            metered(n, "F" if n < 3 else last, 23.0 if n < 3 else standing_h) for n in range(5)
        ]
        return [
            msgspec.structs.replace(
                day,
                hours=(
                    HoursRise(from_at=T0 + n * DAY_S, to_at=T0 + (n + 1) * DAY_S, hours_h=20.0),
                ),
            )
            for n, day in enumerate(found)
        ]

    now = T0 + 5 * DAY_S
    same = assess(inputs(now, 231.0), days("F", 23.0), now)
    said = words.sentence(finding_of(same, "uses_integrated_hours"), ZONE, now).seen
    assert said.startswith("The hour meter also counts")
    other = assess(inputs(now, 231.0), days("G", 0.0), now)
    said = words.sentence(finding_of(other, "uses_integrated_hours"), ZONE, now).seen
    assert said.startswith("The hour meter of a device that was fitted here before")


def test_no_outage_seen_is_said_since_it_is_watched() -> None:
    seen = msgspec.structs.replace(life(), outages=())
    at = seen.at
    young = MainsNow(state="present", last="present", at=at, since=at - 20 * DAY_S)
    said = answer.outages(msgspec.structs.replace(seen, mains=young), [], ZONE, at)
    assert re.fullmatch(r"none seen since \d+ \w+( \d+)?( \d\d:\d\d)?", said[0][1])
    old = msgspec.structs.replace(young, since=at - 500 * DAY_S)
    assert answer.outages(msgspec.structs.replace(seen, mains=old), [], ZONE, at)[0][1] == (
        "none seen in a year"
    )


@pytest.mark.parametrize("swap", ["none", "board", "battery", "calibration"])
def test_the_grey_stretch_is_of_what_is_fitted_now(swap: str) -> None:
    shifted = then(floating, HALF, lambda d: floating(d) - 0.6)
    planted = Planted(volts=shifted, days=34)
    now = T0 + 34 * DAY_S
    given = inputs(now - 60, 231.0)
    if swap == "board":
        given = msgspec.structs.replace(given, fittings=refitted())
    elif swap == "battery":
        given = msgspec.structs.replace(given, records=(changed("Battery", HALF),))
    elif swap == "calibration":
        again = msgspec.structs.replace(METER, id="C2", from_at=T0 + HALF * DAY_S)
        given = msgspec.structs.replace(given, calibrations=(again,))
    days = run_days(planted, UNIT, inputs(now - 60, 231.0))
    held = Pulse(device="D", heard_at=now, newest_at=now, latest={"battery_v": Latest(now, 13.7)})
    given = msgspec.structs.replace(given, pulses=(held,))
    (bar,) = [b for b in bars.bars(given, days, None, ZONE, now) if b.unit == "V"]
    assert bar.outside == (swap != "none"), "13.7 V were usual before the swap, and are not now"


# All sentences.

WIDE = re.compile(r"\b(always|ever|never|as before)\b", re.IGNORECASE)
TRUE_AS_THEY_STAND = (
    "Never connect a set to a house's wiring",
    "Never plug a generator",
    "Never plug one",
    "Never heard",
    "Nothing has ever been heard from its device.",
    "nothing was ever heard from it",
    "numbered messages of this device never arrived",
)
"""Cautions, and what is counted from the first message of the device itself."""


def spoken(path: Path) -> list[str]:
    """Every text of a module but its docstrings."""
    tree = ast.parse(path.read_text())
    strings = {
        id(n): str(n.value)
        for n in ast.walk(tree)
        if isinstance(n, ast.Constant) and isinstance(n.value, str)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            strings.pop(id(node.value), None)
    return list(strings.values())


@pytest.mark.parametrize(
    "path", sorted((Path(words.__file__).parent).glob("*.py")), ids=lambda p: p.name
)
def test_no_sentence_says_always_of_what_it_did_not_watch(path: Path) -> None:
    for text in spoken(path):
        if WIDE.search(text):
            assert any(known in text for known in TRUE_AS_THEY_STAND), text
