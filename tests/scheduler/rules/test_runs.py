"""The running signal and its runs. Field cases 7, 8 and 12, the habit cases of docs/wire.md."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from planted import (
    AC,
    DAY,
    DAY_S,
    KNOWS,
    MIDNIGHT,
    MINUTE,
    ON_CHANGE,
    STEADY,
    clock,
    cut,
    event,
    facts,
    pairs,
    refused,
    runs_of,
    series,
    walk,
)

from fleet.model import Habit, Run, RunningSignal, Series, SignalChannel
from scheduler.day import close_open
from scheduler.rules.runs import RunRules
from scheduler.rules.signal import Gaps, allowed_gaps, check_signal
from scheduler.rules.supply import Plate

CHARGE = SignalChannel("charge_v", 9.0, 8.1)


def one_day(channels: dict[str, Series], *events: object, **over: object) -> list[Run]:
    """Runs of one day, and the one still open at 12 h after it."""
    known = facts(**over)
    days = walk(known, channels, events)  # type: ignore[arg-type]
    last = days[-1]
    going = close_open(last.carry, (last.day + 1) * DAY_S + 43_200, known)
    return runs_of(days) + ([going] if going else [])


def test_wire_on_change_true_then_false_is_one_run_of_an_hour() -> None:
    (run,) = one_day({"running": pairs(("10:00", 1), ("11:00", 0))}, habit=ON_CHANGE)
    assert (run.start, run.end, run.end_seen) == (clock("10:00"), clock("11:00"), "observed")


def test_wire_steady_true_then_false_ends_at_its_last_reading() -> None:
    (run,) = one_day({"running": pairs(("10:00", 1), ("11:00", 0))}, habit=MINUTE)
    assert (run.start, run.end, run.end_seen) == (clock("10:00"), clock("10:00"), "gap")
    assert run.end_latest == clock("10:03"), "2.5 habits, at least 3 min"


def test_an_on_change_value_ends_with_a_missed_heartbeat() -> None:
    habit = Habit(mode="on_change", heartbeat_s=3600)
    (run,) = one_day({"running": pairs(("10:00", 1), ("14:00", 0))}, habit=habit)
    assert (run.end, run.end_seen) == (clock("10:00"), "gap")
    heard = {"running": pairs(("10:00", 1), ("11:30", 0)), "battery_v": pairs(("10:50", 12.6))}
    (run,) = one_day(heard, habit=habit)
    assert (run.end, run.end_seen) == (clock("11:30"), "observed"), "any message is a heartbeat"


def test_a_value_from_before_a_silence_is_not_held_after_it() -> None:
    habit = Habit(mode="on_change", heartbeat_s=3600)
    heard = {"running": pairs(("10:00", 1), ("15:00", 0)), "battery_v": pairs(("14:00", 12.6))}
    (run,) = one_day(heard, habit=habit)
    assert run.end == clock("10:00")


def test_case_8_a_silent_night_is_not_running() -> None:
    evening, morning = clock("22:00"), clock("06:30", DAY + 1)
    first, second = one_day({"running": series([(evening, 1), (morning, 1), (morning + 60, 0)])})
    assert (first.start, first.end, first.end_seen) == (evening, evening, "gap")
    assert first.end_latest == evening + 180, "uncertain by at most the allowed gap"
    assert (second.start, second.start_seen, second.end) == (morning, "gap", morning + 60)
    assert second.start_earliest == evening


def test_case_7_energy_and_run_time_across_a_gap_are_unknown() -> None:
    load = SignalChannel("load_kw", 0.5, 0.4)
    signal = RunningSignal(first=load)
    found = one_day({"load_kw": pairs(("09:00", 2.2), ("12:00", 2.4))}, signal=signal)
    assert [(r.start, r.end) for r in found] == [
        (clock("09:00"), clock("09:00")),
        (clock("12:00"), clock("12:00")),
    ]
    assert [r.energy_kwh for r in found] == [None, None]
    assert all((r.end_latest or 0) - r.start <= 3 * 3600 for r in found)


def test_case_12_one_cycle_is_one_run_and_a_trickle_is_off() -> None:
    t0 = clock("10:00")
    cycle = [(t0 + 10 * k, v) for k, v in enumerate([0, 231, 228, 3, 229, 230, 0])]
    trickle = [(t0 + 70 + 60 * k, 2.0) for k in range(60)]
    (run,) = one_day({"ac_v": series(cycle + trickle)}, signal=AC)
    assert (run.start, run.end, run.start_seen) == (t0 + 10, t0 + 60, "observed")
    assert (run.end_seen, run.readings) == ("observed", 4)


def test_off_for_longer_than_the_hold_is_two_runs() -> None:
    t0 = clock("10:00")
    volts = [(t0 + 20 * k, v) for k, v in enumerate([0, 231, 0, 0, 0, 231, 0, 0, 0])]
    first, second = one_day({"ac_v": series(volts)}, signal=AC)
    assert (first.end, second.start) == (t0 + 40, t0 + 100)


def test_between_the_thresholds_the_state_goes_on() -> None:
    volts = pairs(("10:00", 190), ("10:01", 201), ("10:02", 190), ("10:03", 181), ("10:04", 180))
    (run,) = one_day({"ac_v": volts}, signal=AC)
    assert (run.start, run.end) == (clock("10:01"), clock("10:04"))


FACTS_OF_THE_TRADE = [
    # common practice, no source
    (AC.first, 201.0, True, "AC above 200 V on a 230 V set is running"),
    (AC.first, 0.0, False, "no AC: standing"),
    (CHARGE, 10.6, True, "10.6 V on the charging output of a 12 V set is running"),
    (CHARGE, 9.1, True, "charging output above 9 V is running"),
    (CHARGE, 0.0, False, "0 V on the charging output is at rest"),
]


@pytest.mark.parametrize(("channel", "value", "turns", "why"), FACTS_OF_THE_TRADE)
def test_facts_of_the_trade(channel: SignalChannel, value: float, turns: bool, why: str) -> None:
    one = pairs(("10:00", 0.0), ("10:01", value), ("10:02", 0.0))
    found = one_day({channel.channel: one}, signal=RunningSignal(first=channel))
    assert bool(found) == turns, why


def test_either_of_two_channels_sees_a_set_without_output() -> None:
    signal = RunningSignal(first=AC.first, second=CHARGE, join="either")
    told = {
        "ac_v": pairs(("10:00", 0), ("10:01", 0), ("10:02", 231), ("10:03", 0), ("10:04", 0)),
        "charge_v": pairs(("10:00", 0), ("10:01", 14), ("10:02", 14), ("10:03", 0), ("10:04", 0)),
    }
    (run,) = one_day(told, signal=signal)
    assert (run.start, run.end) == (clock("10:01"), clock("10:03"))
    both = RunningSignal(first=AC.first, second=CHARGE, join="both")
    (run,) = one_day(told, signal=both)
    assert (run.start, run.end) == (clock("10:02"), clock("10:03"))


def test_a_channel_gone_silent_has_no_say() -> None:
    signal = RunningSignal(first=AC.first, second=CHARGE, join="either")
    told = {
        "ac_v": series((clock("10:00") + 60 * k, 0) for k in range(60)),
        "charge_v": pairs(("10:00", 0), ("10:01", 14), ("10:02", 14)),
    }
    (run,) = one_day(told, signal=signal)
    assert run.end == clock("10:07"), "the first AC reading after its 4.5 min are over"


def test_an_implausible_value_is_ignored() -> None:
    """1,300 V is possible for a set of 690 V that runs away, and for none of 230 V, were it 400 V line
    to line; 2,100 V for no set at all (low voltage ends at 1,000 V: IEC 60038)."""
    of_230 = Plate(nominal_v=230.0, nominal_hz=50.0)
    for most, plate in ((1300, of_230), (2100, of_230), (2100, None)):
        volts = pairs(("10:00", 0), ("10:01", most), ("10:02", 0))
        assert one_day({"ac_v": volts}, signal=AC, plate=plate) == []


def minutes(first: str, last: str, value: float) -> list[tuple[int, float]]:
    return [(t, value) for t in range(clock(first), clock(last) + 1, 60)]


def test_the_hour_meter_bridges_a_gap_it_moved_through() -> None:
    on = [*minutes("10:00", "10:10", 1), *minutes("11:10", "11:20", 1), (clock("11:21"), 0)]
    ran = [(t, 100 + round((t - clock("10:00")) / 3600, 2)) for t, _ in on]
    (run,) = one_day({"running": series(on), "run_hours_h": series(ran)})
    assert (run.start, run.end) == (clock("10:00"), clock("11:21"))
    assert (run.bridged_by_meter, run.longest_gap_s) == (True, 3600)
    stood = [(t, 100 + round(min(t - clock("10:00"), 600) / 3600, 2)) for t, _ in on]
    first, second = one_day({"running": series(on), "run_hours_h": series(stood)})
    assert (first.end, second.start) == (clock("10:10"), clock("11:10"))


def test_a_meter_that_did_not_move_bridges_no_short_gap() -> None:
    """A 0.1 h meter stands still over 5 min either way: two resolutions prove nothing."""
    on = [(clock("10:00"), 1), (clock("10:05"), 1), (clock("10:06"), 0)]
    meter = [(t, 100.0) for t, _ in on]
    assert len(one_day({"running": series(on), "run_hours_h": series(meter)})) == 2


def test_events_sharpen_the_edges() -> None:
    told = {"ac_v": pairs(("10:00", 0), ("10:01", 231), ("10:02", 231), ("10:03", 0))}
    (run,) = one_day(told, event("10:00:20", "started"), event("10:02:40", "stopped"), signal=AC)
    assert (run.start, run.end) == (clock("10:00:20"), clock("10:02:40"))
    assert (run.start_seen, run.end_seen) == ("observed", "observed")


def test_a_reading_overrules_a_stop_event() -> None:
    told = {"ac_v": pairs(("10:00", 0), ("10:01", 231), ("10:02", 231), ("10:03", 0))}
    (run,) = one_day(told, event("10:01:30", "stopped"), signal=AC)
    assert run.end == clock("10:03")


def test_a_device_that_only_sends_events_has_runs() -> None:
    (run,) = one_day({}, event("10:00", "started"), event("10:02", "stopped"))
    assert (run.start, run.end) == (clock("10:00"), clock("10:02"))
    (run,) = one_day({}, event("10:00", "started"), event("11:00", "stopped"), habit=ON_CHANGE)
    assert (run.start, run.end) == (clock("10:00"), clock("11:00"))
    (run,) = one_day({}, event("10:00", "started"), event("11:00", "stopped"))
    assert (run.end, run.end_seen, run.end_latest) == (clock("10:00"), "gap", clock("11:00"))


def test_energy_is_measured_inside_the_run_only() -> None:
    """2 kW for 2 min within the run = 0.067 kWh; the readings before and after do not count."""
    at = ["10:00", "10:01", "10:02", "10:03", "10:04"]
    told = {
        "running": pairs(*zip(at, [0, 1, 1, 0, 0], strict=True)),
        "load_kw": pairs(*zip(at, [9, 2, 2, 2, 9], strict=True)),
    }
    (run,) = one_day(told)
    assert run.energy_kwh == pytest.approx(4 / 60, abs=0.0006)
    assert run.peak_load_kw == 2


def test_an_open_run_is_seen_as_running_then_as_ended_uncertain() -> None:
    known = facts()
    (day,) = walk(known, {"running": pairs(("10:00", 0), ("10:01", 1), ("10:02", 1))})
    going = close_open(day.carry, clock("10:04"), known)
    assert going is not None
    assert (going.end, going.end_seen) == (None, "open")
    lost = close_open(day.carry, clock("10:06"), known)
    assert lost is not None
    assert (lost.end, lost.end_seen, lost.end_latest) == (clock("10:02"), "gap", clock("10:05"))


def test_an_on_hold_leaves_out_a_flicker() -> None:
    signal = RunningSignal(first=AC.first, hold_on_s=30)
    t0 = clock("10:00")
    flicker = [(t0 + 10 * k, v) for k, v in enumerate([0, 231, 231, 0, 231, 231, 231, 231, 0])]
    (run,) = one_day({"ac_v": series(flicker)}, signal=signal)
    assert (run.start, run.end) == (t0 + 40, t0 + 80)


HABITS = [
    (MINUTE, 180, 180, "2.5 x 60 s is under 3 min"),
    (STEADY, 1500, 180, "2.5 x 600 s standing"),
    (Habit(standing_s=900, running_s=120), 2250, 300, "2.5 habits"),
    (Habit(mode="on_change", heartbeat_s=86_400), 95_040, 95_040, "heartbeat + 10 %"),
    (Habit(mode="sleeping", standing_s=21_600, running_s=60), 47_520, 180, "2nd missed + 10 %"),
]


@pytest.mark.parametrize(("habit", "standing", "running", "why"), HABITS)
def test_allowed_gaps(habit: Habit, standing: int, running: int, why: str) -> None:
    gaps = allowed_gaps(habit)
    assert (gaps.standing_s, gaps.running_s) == (standing, running), why


RULES = RunRules(standing_gap_s=180, running_gap_s=180)
ILLEGAL = [
    (RULES, {"standing_gap_s": 0}, "longer than 0 s"),
    (RULES, {"running_gap_s": -1}, "longer than 0 s"),
    (RULES, {"hold_on_s": -1}, "hold time"),
    (RULES, {"hold_off_s": -1}, "hold time"),
    (Gaps(standing_s=1, running_s=1), {"standing_s": 0}, "longer than 0 s"),
    (Gaps(standing_s=1, running_s=1), {"running_s": 0}, "longer than 0 s"),
]


@pytest.mark.parametrize(("record", "values", "why"), ILLEGAL)
def test_illegal_parameters_are_refused(record: object, values: dict[str, int], why: str) -> None:
    assert why in refused(record, **values)


BAD_SIGNALS = [
    (RunningSignal(first=SignalChannel("ac_v", 100, 120)), "above on"),
    (RunningSignal(first=AC.first, second=SignalChannel("ac_v", 90, 80)), "repeats the first"),
    (RunningSignal(first=AC.first, hold_off_s=-1), "below 0 s"),
]


@pytest.mark.parametrize(("signal", "why"), BAD_SIGNALS)
def test_a_running_signal_that_cannot_work_is_refused(signal: RunningSignal, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        check_signal(signal)


def test_a_habit_of_no_length_is_refused() -> None:
    with pytest.raises(ValueError, match="longer than 0 s"):
        allowed_gaps(Habit(standing_s=0))


signals = st.lists(
    st.tuples(st.sampled_from([5, 30, 31, 60, 180, 181, 4000, 30_000]), st.sampled_from([0, 1])),
    min_size=1,
    max_size=80,
)


def laid_out(steps: list[tuple[int, int]], start: int = MIDNIGHT) -> Series:
    at, points = start, []
    for wait, state in steps:
        at += wait
        points.append((at, state))
    return series(points)


@given(signals, st.sampled_from([MINUTE, STEADY, ON_CHANGE]))
def test_days_in_a_row_give_the_runs_of_one_pass(
    steps: list[tuple[int, int]], habit: Habit
) -> None:
    """Cut at midnights, and the same laid so that it falls into fewer days, give the same runs."""
    known = facts(habit=habit)
    night = laid_out(steps, MIDNIGHT + DAY_S - 40_000)
    days = walk(known, {"running": night, "load_kw": night})
    moved = Series(night.t + 7 * DAY_S, night.v)
    again = walk(known, {"running": moved, "load_kw": moved})
    assert [shifted(run, 7 * DAY_S) for run in runs_of(days)] == [*map(edges, runs_of(again))]
    noon = Series(night.t + 43_200, night.v)
    other = walk(known, {"running": noon, "load_kw": noon})
    ours = [shifted(r, 43_200) for r in runs_of(days) + still(days, known)]
    assert ours == [*map(edges, runs_of(other) + still(other, known))]


def edges(run: Run) -> tuple[object, ...]:
    return (
        run.start,
        run.end,
        run.start_seen,
        run.end_seen,
        run.start_earliest,
        run.end_latest,
        run.longest_gap_s,
        run.readings,
        run.energy_kwh,
        run.peak_load_kw,
    )


def shifted(run: Run, by: int) -> tuple[object, ...]:
    moved = [v + by if v is not None else None for v in (run.start, run.end)]
    late = [v + by if v is not None else None for v in (run.start_earliest, run.end_latest)]
    return (*moved, run.start_seen, run.end_seen, *late, *edges(run)[6:])


def still(days: list, known: object) -> list[Run]:  # type: ignore[type-arg]
    """The open run as it looks long after (its energy is only given when it has ended)."""
    run = close_open(days[-1].carry, 10**11, known)  # type: ignore[arg-type]
    return [run] if run else []


@given(signals)
def test_a_run_never_exceeds_its_readings(steps: list[tuple[int, int]]) -> None:
    one = laid_out(steps)
    for run in runs_of(walk(facts(), {"running": one})):
        assert run.end is not None
        assert one.t[0] <= run.start <= run.last_on_at <= run.end <= one.t[-1]
        assert run.longest_gap_s <= 270, "three minutes missing, and half the allowed gap"
        inside = one.t[(one.t >= run.start) & (one.t <= run.end)]
        assert np.all(np.diff(inside) <= 270)
        assert run.readings >= 1


def test_cut_takes_each_reading_once() -> None:
    one = laid_out([(40_000, 1)] * 6)
    assert sum(len(cut({"x": one}, DAY + k).get("x", ())) for k in range(4)) == 6
    assert KNOWS.first.channel == "running"
