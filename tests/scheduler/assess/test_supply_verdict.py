"""The verdict on volts and hertz: how grave, what answers it, what stands in for a meter."""

from __future__ import annotations

import msgspec
import pytest
from found import facts_as
from one_unit import T0, UNIT
from supply_verdicts import CHECK, DAY0, DAY_S, KNOWS, kinds, known, one, record, run_day, verdict

from fleet import words
from fleet.findings.supply import VoltageDrift, WrongNominal
from fleet.model import (
    Calibration,
    Habit,
    Series,
)


def test_a_healthy_set_has_a_band_and_no_finding() -> None:
    seen = verdict([run_day(n) for n in range(3)])
    assert kinds(seen) == {}
    assert not seen.supply.out_at_last_run
    volts, hertz = seen.supply.volts, seen.supply.hertz
    assert volts is not None
    assert hertz is not None
    assert (volts.band.low, volts.band.high) == (207.0, 253.0)
    assert volts.last == pytest.approx(231.0, abs=0.2)
    assert volts.checked
    assert hertz.checked, "a count, vouched for by the meter on the volts"
    assert volts.drift_not_judged == "3 of 9 like runs"
    assert volts.supply.startswith("within")


def test_out_of_band_outlasts_the_run_and_ends_with_a_good_one() -> None:
    bad = verdict([run_day(0), run_day(1, volts=203.0)])
    assert kinds(bad) == {"voltage_out": "same_day"}
    assert bad.supply.out_at_last_run
    assert bad.supply.volts is not None
    assert bad.supply.volts.out
    assert "203 V" in words.sentence(one(bad, "voltage_out"), "Europe/Madrid", bad.at).seen
    good = verdict([run_day(0), run_day(1, volts=203.0), run_day(2)])
    assert kinds(good) == {}
    assert not good.supply.out_at_last_run


def test_a_meter_on_the_volts_after_it_answers_volts_out() -> None:
    days = [run_day(0), run_day(1, volts=203.0)]
    later = Calibration(
        id="c2", fitting="F", channel="ac_v", gain=1.13, offset=0.0, from_at=T0 + DAY_S + 60_000
    )
    assert kinds(verdict(days, msgspec.structs.replace(known(), calibrations=(CHECK, later)))) == {}


def test_an_adopted_set_raises_notes_only_but_for_dangers() -> None:
    adopted = known(checked=False)
    seen = verdict([run_day(0), run_day(1, volts=203.0, hertz=47.0)], adopted)
    assert kinds(seen) == {"voltage_out": "note", "frequency_out": "note"}
    said = words.sentence(one(seen, "voltage_out"), "Europe/Madrid", seen.at)
    assert "has not been checked with a meter" in said.seen
    danger = verdict([run_day(0), run_day(1, volts=280.0)], adopted)
    assert kinds(danger) == {"over_voltage": "act_now"}
    said = words.sentence(one(danger, "over_voltage"), "Europe/Madrid", danger.at)
    assert "has not been checked with a meter" in said.seen


def test_volts_on_a_standing_set() -> None:
    seen = verdict([run_day(0), run_day(1, rest=229.0)], known(checked=False))
    assert kinds(seen) == {"volts_standing": "act_now"}
    said = words.sentence(one(seen, "volts_standing"), "Europe/Madrid", seen.at)
    assert "Stay away from the terminals" in said.do
    assert "licensed person" in said.do
    assert kinds(verdict([run_day(0), run_day(1, rest=229.0), run_day(2)])) == {}
    assert kinds(verdict([run_day(0), run_day(1, rest=60.0)])) == {"stray_volts": "note"}


def test_its_own_volts_as_the_only_signal_are_said_not_to_tell() -> None:
    alone = msgspec.structs.replace(KNOWS, running=UNIT.running)
    days = [{k: v for k, v in run_day(n).items() if k != "running"} for n in range(2)]
    seen = verdict(days, known(alone))
    assert seen.supply.standing_untold
    assert kinds(seen) == {}
    assert not verdict([run_day(0)]).supply.standing_untold


def test_open_neutral_is_answered_by_a_visit() -> None:
    split = msgspec.structs.replace(KNOWS, phases="split")
    apart = run_day(0, more={"ac_l1_v": 130.0, "ac_l2_v": 100.0})
    seen = verdict([apart], known(split, checked=False))
    assert kinds(seen) == {"open_neutral": "act_now"}
    visited = known(split, records=(record("visit", T0 + 50_000),))
    assert kinds(verdict([apart], visited)) == {}
    before = known(split, records=(record("visit", T0 + 20_000),))
    assert kinds(verdict([apart], before)) == {"open_neutral": "act_now"}
    uneven = run_day(0, more={"ac_l1_v": 122.0, "ac_l2_v": 108.0})
    assert kinds(verdict([uneven], known(split))) == {}


def test_an_engine_without_output() -> None:
    seen = verdict([run_day(0), run_day(1, volts=3.0, hertz=44.0)])
    assert kinds(seen) == {"no_output": "act_now"}
    wired = verdict([run_day(0), run_day(1, volts=3.0)], known(checked=False))
    assert kinds(wired) == {"no_output": "act_now"}, "it did show volts in an earlier run"
    never = verdict([run_day(0, volts=3.0), run_day(1, volts=3.0)], known(checked=False))
    assert kinds(never) == {"no_output": "note"}, "perhaps a lead that was never wired"


def test_out_of_service_makes_notes_of_all_but_the_gravest() -> None:
    working = record("out_of_service", T0, **{"from": T0})
    seen = verdict([run_day(0, volts=203.0)], known(records=(working,)))
    assert kinds(seen) == {"voltage_out": "note"}
    live = verdict([run_day(0, rest=229.0)], known(records=(working,)))
    assert kinds(live) == {"volts_standing": "act_now"}


def test_hunting_takes_two_runs_of_three() -> None:
    assert kinds(verdict([run_day(0), run_day(1, swing=2.4)])) == {}
    hunts = verdict([run_day(0), *(run_day(n, swing=2.4) for n in (1, 2))])
    assert kinds(hunts) == {"hunting": "next_visit"}
    assert one(hunts, "hunting").since // DAY_S == DAY0 + 1
    over = verdict([run_day(0, swing=2.4), run_day(1, swing=2.4), run_day(2)])
    assert kinds(over) == {}, "the newest run is steady"
    inverter = msgspec.structs.replace(KNOWS, inverter=True)
    swinging = [run_day(n, hertz=47.0, swing=2.4) for n in range(3)]
    assert kinds(verdict(swinging, known(inverter))) == {}


@pytest.mark.parametrize(("lines", "found"), [((410, 417, 395), True), ((400, 407, 395), False)])
def test_unbalance_of_three_phases(lines: tuple[int, int, int], found: bool) -> None:
    """NEMA MG 1: 407.33 on average, 12.33 off: 3.03 %; 400.67 and 6.33: 1.58 %."""
    three = msgspec.structs.replace(KNOWS, phases="3", nominal_v=400.0)
    more = dict(zip(("ac_l12_v", "ac_l23_v", "ac_l31_v"), map(float, lines), strict=True))
    days = [run_day(n, volts=sum(lines) / 3, more=more) for n in range(2)]
    seen = verdict(days, known(three))
    assert (kinds(seen) == {"unbalance": "next_visit"}) is found
    assert seen.supply.unbalance_pct == pytest.approx(3.03 if found else 1.58, abs=0.01)


def test_a_wrong_nominal_is_said_and_raises_no_alarm() -> None:
    """The register says 230 V and 50 Hz; it has run at 120 V and 60 Hz ever since."""
    seen = verdict([run_day(n, volts=121.0, hertz=60.3) for n in range(2)])
    assert kinds(seen) == {"wrong_nominal": "note"}
    assert sorted(
        facts_as(f, WrongNominal).runs_at for f in seen.findings if f.kind == "wrong_nominal"
    ) == [
        60.0,
        120.0,
    ]
    fell = verdict([run_day(0), run_day(1, volts=121.0)])
    assert kinds(fell) == {"voltage_out": "same_day"}, (
        "one good run says that the register is right"
    )


def test_a_regulator_that_drifts_is_found_once_and_a_new_one_starts_afresh() -> None:
    days = [run_day(7 * n, volts=231.0 - max(0, n - 8) * 0.7) for n in range(34)]
    seen = verdict(days)
    assert kinds(seen) == {"voltage_drift": "next_visit"}
    finding = one(seen, "voltage_drift")
    assert facts_as(finding, VoltageDrift).moved < -9
    assert finding.since < seen.at - 7 * DAY_S, "since it left its usual range, not since today"
    changed = known(records=(record("part_changed", T0 + 7 * 33 * DAY_S - 9, part="AVR"),))
    assert kinds(verdict(days, changed)) == {}
    checked = Calibration(
        id="c2", fitting="F", channel="ac_v", gain=1.0, offset=0.0, from_at=T0 + 7 * 33 * DAY_S - 9
    )
    afresh = msgspec.structs.replace(known(), calibrations=(CHECK, checked))
    assert kinds(verdict(days, afresh)) == {}


def test_sparse_runs_say_too_few_samples() -> None:
    series = run_day(0)
    few = {k: Series(s.t[s.t % 900 == 0], s.v[s.t % 900 == 0]) for k, s in series.items()}
    rare = msgspec.structs.replace(KNOWS, habit=Habit(standing_s=900, running_s=900))
    seen = verdict([few], known(rare))
    assert seen.supply.volts is not None
    assert seen.supply.volts.not_judged == "too few samples"
