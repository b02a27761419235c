"""Planted batteries of one set, from readings to the verdict: faults, and what is none."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from batteries import (
    DAY_S,
    METER,
    Floats,
    Planted,
    boosting,
    floating,
    kinds,
    lost,
    on_off,
    run_days,
    sagging,
    sunny,
    then,
    verdict,
)
from one_unit import T0, UNIT

from fleet.model import Record, Unit
from fleet.words import sentence
from scheduler.assess import encode, read
from scheduler.day import decode as day_of
from scheduler.day import encode as bytes_of

WEEKLY = tuple(range(3, 60, 7))
GOOD = dict.fromkeys(WEEKLY, 9.9)
BARE = msgspec.structs.replace(UNIT, charger="none")


def cold(d: Floats) -> Floats:
    """12 C, and the last eight days -10 C."""
    return np.where(d < 32, 12.0, -10.0) + 0.0 * d


@pytest.mark.parametrize(
    ("volts", "kind"),
    [(floating, "float"), (on_off, "on_off"), (boosting, "boost"), (sunny, "solar")],
)
def test_a_healthy_charger_is_no_finding(volts: object, kind: str) -> None:
    """Permanent float, on and off, boost and sun: learned, good by its starts, never "at rest"."""
    found = verdict(Planted(volts=volts, runs=WEEKLY, crank=GOOD, air_c=lambda d: 12 + 0 * d))  # type: ignore[arg-type]
    assert kinds(found) == {}
    seen = found.battery
    assert (seen.verdict, seen.why) == ("good", "cranking")
    assert (seen.charge.learned, seen.charge.kind) == (kind, kind)
    assert seen.rest.at is None
    assert "on charge" in seen.rest.reason


def test_a_lost_charger_is_a_charger_fault_and_no_failed_cell() -> None:
    found = verdict(Planted(volts=then(floating, 30, lost), runs=WEEKLY, days=44))
    assert kinds(found) == {"charger_fault": "same_day"}
    seen = found.battery
    assert (seen.verdict, seen.charge.learned) == ("charger_fault", "float")
    assert abs((seen.since or 0) - (T0 + 30 * DAY_S)) < DAY_S / 8
    assert seen.rest.volts_v is not None, "nothing charges it: now it rests"
    fault = next(f for f in found.findings if f.kind == "charger_fault")
    assert "usual for this set: 13.5 to 13.7 V." in sentence(fault, "Europe/Madrid", found.at).seen


def test_a_charger_fault_waits_for_24_hours_and_the_12_after_a_run() -> None:
    early = Planted(volts=then(floating, 30.0, lost), runs=(*WEEKLY, 30), days=31)
    assert kinds(verdict(early)) == {}
    late = msgspec.structs.replace(early, days=33)
    assert kinds(verdict(late)) == {"charger_fault": "same_day"}


def test_no_charger_fault_while_the_mains_is_off() -> None:
    found = verdict(Planted(volts=then(floating, 30, lost), days=36, mains_v=0.0))
    assert "charger_fault" not in kinds(found)


def test_without_the_mains_seen_it_can_wait_for_the_next_visit() -> None:
    found = verdict(Planted(volts=then(floating, 30, lost), days=36, wired=False))
    assert kinds(found) == {"charger_fault": "next_visit"}


def test_a_charger_that_works_again_ends_it() -> None:
    volts = then(floating, 25, then(lost, 5, floating))
    assert kinds(verdict(Planted(volts=volts, runs=WEEKLY))) == {}


def test_a_failed_cell_on_charge() -> None:
    """13.6 V falls to 11.5 V within a day: more than a lost charger takes."""
    found = verdict(Planted(volts=then(floating, 33, lambda d: 11.5 + 0 * d)))
    assert kinds(found) == {"battery_failed_cell": "same_day"}
    assert (found.battery.verdict, found.battery.why) == ("replace", "failed_cell")


def test_a_failed_cell_after_a_run() -> None:
    """Without a charger: 10.6 V hours after a run that lifted it to 12.1 V."""
    volts = then(sagging(0.01), 20, lambda d: 10.6 + 0 * d)
    found = verdict(Planted(volts=volts, runs=WEEKLY, running_v=12.1), BARE)
    assert kinds(found)["battery_failed_cell"] == "same_day"
    assert found.battery.verdict == "replace"


@pytest.mark.parametrize("volts", [then(floating, 20, lost), sagging(0.02)])
def test_a_flat_battery_is_no_failed_cell(volts: object) -> None:
    found = verdict(Planted(volts=volts, runs=WEEKLY), BARE)  # type: ignore[arg-type]
    assert "battery_failed_cell" not in kinds(found)


@pytest.mark.parametrize(
    ("volts_v", "air_c", "over"),
    [
        (15.4, 25.0, True),
        (15.4, 0.0, False),
        (14.25, 0.0, False),
        (14.7, 25.0, False),
        (15.9, -2.0, True),
        (15.4, None, False),
    ],
)
def test_over_charge_is_compensated(volts_v: float, air_c: float | None, over: bool) -> None:
    """15.4 V is too much at 25 C, not at 0 C; 14.25 V at 0 C is a float charger's own."""
    air = None if air_c is None else lambda d: air_c + 0 * d
    found = verdict(
        Planted(volts=then(floating, 18, lambda d: volts_v + 0 * d), days=20, air_c=air)
    )
    assert ("over_charge" in kinds(found)) == over


def test_over_charge_waits_for_12_hours() -> None:
    hot = then(floating, 19.6, lambda d: 15.6 + 0 * d)
    assert kinds(verdict(Planted(volts=hot, days=20, air_c=lambda d: 25 + 0 * d))) == {}


def test_a_run_does_not_end_an_over_charge() -> None:
    """The charger gives 16 V, the alternator 14.2 V for 20 min on the last day."""
    hot = then(floating, 18, lambda d: 16.0 + 0 * d)
    assert kinds(verdict(Planted(volts=hot, days=20, runs=(19,)))) == {"over_charge": "same_day"}


def test_no_charger_days_left() -> None:
    """20 mV a day from 12.65 V; after 24 days 12.17 V and 5.5 days to a quarter of charge."""
    found = verdict(Planted(volts=sagging(0.02), days=24), BARE)
    assert kinds(found) == {"battery_runs_down": "same_day"}
    charge = found.battery.charge
    assert charge.days_left == pytest.approx((12.65 - 0.02 * 24 - 12.06) / 0.02, abs=1.5)
    assert charge.days_left is not None
    assert charge.days_left_low is not None
    assert charge.days_left_low <= charge.days_left
    assert found.battery.rest.charge_pct == pytest.approx(40, abs=3)


def test_no_charger_and_little_sag_is_no_finding() -> None:
    found = verdict(Planted(volts=sagging(0.003), runs=WEEKLY), BARE)
    assert kinds(found) == {}
    assert found.battery.verdict == "good"
    assert found.battery.charge.kind == "none"


def test_a_weak_battery_is_told_beside_a_healthy_start_at_like_temperature() -> None:
    crank = GOOD | {24: 9.0, 31: 8.9, 38: 8.8}
    found = verdict(Planted(volts=floating, runs=WEEKLY, crank=crank, air_c=lambda d: 12 + 0 * d))
    assert kinds(found) == {"battery_weak": "same_day"}
    assert (found.battery.verdict, found.battery.why) == ("replace", "cranking")
    look = found.battery.cranking
    assert (look.volts_v, look.healthy_v, look.temp_c) == (8.8, 9.9, 12.0)
    assert look.limit_v == pytest.approx(9.43, abs=0.01)


def test_a_cold_week_is_no_weak_battery() -> None:
    """9.9 V at 12 C and 9.0 V at -10 C are the same battery."""
    crank = GOOD | {38: 9.0}
    first = verdict(Planted(volts=floating, runs=WEEKLY, crank=crank, air_c=cold))
    assert kinds(first) == {}
    assert first.battery.cranking.reason.startswith("no healthy start within 8")
    runs = (*WEEKLY, 39)
    found = verdict(Planted(volts=floating, runs=runs, crank=crank | {39: 9.0}, air_c=cold))
    assert kinds(found) == {}
    assert found.battery.cranking.healthy_temp_c == -10.0


def test_a_new_battery_starts_afresh() -> None:
    """By record, and by its step up alone where nobody wrote it down."""
    crank = {n: 8.9 if n < 24 else 10.1 for n in (3, 7, 10, 14, 17, 21, 24, 28, 31, 35, 38, 42, 45)}
    planted = Planted(
        volts=floating, runs=tuple(crank), crank=crank, air_c=lambda d: 12 + 0 * d, days=47
    )
    changed = Record(
        id="R",
        at=T0 + 22 * DAY_S,
        by="A",
        unit="U",
        kind="part_changed",
        facts={"part": "Battery", "chemistry": "agm"},
    )
    found = verdict(planted, records=[changed])
    assert kinds(found) == {}
    assert (found.battery.chemistry, found.battery.fitted_at) == ("agm", changed.at)
    assert found.battery.cranking.healthy_v == pytest.approx(10.1)
    assert kinds(verdict(planted)) == {}


def test_without_crank_volts_it_is_not_measured() -> None:
    found = verdict(Planted(volts=floating, runs=WEEKLY))
    assert found.battery.cranking.reason == "not measured"
    assert found.battery.verdict == "good", "on charge as usual, and it started"
    assert found.battery.why == "start"
    assert verdict(Planted(volts=floating)).battery.verdict == "not_enough_data"


def test_24_volts_scale() -> None:
    """The same volts doubled on a 24 V set: the same verdicts, doubled numbers."""
    big = msgspec.structs.replace(UNIT, battery_nominal_v=24.0)
    for volts in (then(floating, 30, lost), then(floating, 33, lambda d: 11.5 + 0 * d)):
        plain = Planted(volts=volts, noise=0.0)
        doubled = msgspec.structs.replace(plain, scale=2.0)
        one, two = verdict(plain), verdict(doubled, big)
        assert kinds(one) == kinds(two)
        assert two.battery.verdict == one.battery.verdict
        assert one.battery.charge.usual_high_v is not None
        assert two.battery.charge.usual_high_v == pytest.approx(
            2 * one.battery.charge.usual_high_v, abs=0.03
        )


def test_where_no_meter_was_absolute_volts_raise_notes_only() -> None:
    """A fall from its own usual volts is no matter of the meter; a level is."""
    fell = verdict(Planted(volts=then(floating, 30, lost)), calibrations=())
    assert kinds(fell) == {"charger_fault": "same_day"}
    never = msgspec.structs.replace(UNIT, charger="float")
    level = verdict(Planted(volts=lambda d: 12.8 + 0 * d), never, calibrations=())
    assert kinds(level) == {"charger_fault": "note"}
    note = next(f for f in level.findings if f.kind == "charger_fault")
    assert "not been checked with a meter" in sentence(note, "Europe/Madrid", level.at).seen
    checked = verdict(Planted(volts=lambda d: 12.8 + 0 * d), never)
    assert kinds(checked) == {"charger_fault": "same_day"}


def test_a_calibration_is_no_step() -> None:
    """A meter check that lowers the readings by 2.1 V is no failed cell."""
    low = msgspec.structs.replace(METER, id="D", offset=-2.1, from_at=T0 + 30 * DAY_S)
    found = verdict(Planted(volts=floating), calibrations=[METER, low])
    assert "battery_failed_cell" not in kinds(found)


@pytest.mark.parametrize(
    ("unit", "years", "old"),
    [
        (UNIT, 4.0, False),
        (UNIT, 5.2, True),
        (msgspec.structs.replace(UNIT, nfpa_110=True), 3, True),
    ],
)
def test_age_is_a_note(unit: Unit, years: float, old: bool) -> None:
    day = np.datetime64(int(T0 - years * 365.25 * DAY_S), "s").astype("datetime64[D]")
    found = verdict(
        Planted(volts=floating, days=3), msgspec.structs.replace(unit, battery_fitted=str(day))
    )
    assert kinds(found) == ({"battery_old": "note"} if old else {})


def test_lithium_has_no_table() -> None:
    lithium = msgspec.structs.replace(BARE, battery_chemistry="lfp")
    found = verdict(Planted(volts=lambda d: 13.25 - 0.001 * d, runs=WEEKLY), lithium)
    assert kinds(found) == {}
    assert found.battery.rest.charge_pct is None
    assert found.battery.verdict == "not_enough_data"


def test_a_day_stays_small_and_comes_back() -> None:
    for planted in (
        Planted(volts=floating, days=3),
        Planted(volts=sagging(0.02), days=3, runs=(1,)),
    ):
        for day in run_days(planted):
            assert day_of(bytes_of(day)) == day
            assert len(msgspec.json.encode(day.battery)) < 260
            assert len(msgspec.json.encode(day.carry.battery)) < 200


def test_an_assessment_comes_back() -> None:
    found = verdict(Planted(volts=then(floating, 30, lost)))
    assert read(encode(found)) == found


def test_a_charger_that_works_now_and_then_is_not_missed_by_a_device_that_wakes_seldom() -> None:
    """Four readings a day see two hours of charging one time in ten."""
    assert UNIT.habit is not None
    habit = msgspec.structs.replace(UNIT.habit, mode="sleeping", standing_s=21_600)
    sleeps = msgspec.structs.replace(UNIT, charger="on_off", habit=habit)
    for start in range(8):
        found = verdict(Planted(volts=on_off, days=30 + start, step_s=21_600), sleeps)
        assert kinds(found) == {}, start
    dead = verdict(Planted(volts=then(on_off, 30, lost), days=50, step_s=21_600), sleeps)
    assert "charger_fault" in kinds(dead)
