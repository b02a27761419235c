"""The physics of one invented set: repeatable, the same however it is cut, and plausible.

Figures without a source are common practice of the trade, no source.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_fleet.assembly import DemoSet, Fleet, build_fleet, showcase
from demo_fleet.machine import Machine, area_outages, events, moments, readings, values
from demo_fleet.machine.noise import normal, smooth, uniform
from demo_fleet.planted.faults import DAY_S, last_outage

NOW = 1_795_197_000
"""2026-11-20T17:50:00Z."""


CRANKS_OTHERWISE = frozenset(
    {"failed_start", "battery_ages", "failed_cell", "new_battery", "cold_week"}
)
RUNS_OTHERWISE = frozenset(
    {
        "no_output",
        "over_voltage",
        "volts_standing",
        "idle_down",
        "hunting",
        "governor_drifts",
        "regulator_drifts",
    }
)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return build_fleet(1, NOW)


def playing(fleet: Fleet, part: str) -> DemoSet:
    return next(s for s in fleet.sets if s.plays == part)


def plain(fleet: Fleet, charger: str) -> DemoSet:
    """A steady set without a part that its battery would notice, on this kind of charger."""
    return next(
        s
        for s in fleet.sets
        if s.plays in ("", "legs_uneven") and s.charger == charger and s.habit.mode == "steady"
    )


def test_noise_has_the_stated_spread() -> None:
    n = np.arange(200_000)
    assert abs(uniform(7, 1, n).mean() - 0.5) < 0.005
    found = normal(7, 2, n)
    assert abs(found.mean()) < 0.01
    assert abs(found.std() - 1) < 0.01
    assert np.abs(smooth(7, 3, n, 600)).max() <= 1.0


def test_noise_streams_do_not_follow_each_other() -> None:
    n = np.arange(50_000)
    assert abs(np.corrcoef(uniform(7, 1, n), uniform(7, 2, n))[0, 1]) < 0.02
    assert abs(np.corrcoef(uniform(7, 1, n), uniform(8, 1, n))[0, 1]) < 0.02


def test_the_same_seed_gives_the_same_set_and_another_seed_another(fleet: Fleet) -> None:
    again, other = build_fleet(1, NOW).sets[30], build_fleet(2, NOW).sets[30]
    start = NOW - 3 * DAY_S
    t, seen = readings(fleet.sets[30].machine, start, NOW)
    t_again, seen_again = readings(again.machine, start, NOW)
    assert np.array_equal(t, t_again)
    assert all(np.array_equal(seen[c], seen_again[c]) for c in seen)
    t_other, seen_other = readings(other.machine, start, NOW)
    assert not (
        np.array_equal(t, t_other) and np.array_equal(seen["battery_v"], seen_other["battery_v"])
    )


@pytest.mark.parametrize("n", [0, 12, 15, 22, 36])
def test_days_alone_newest_first_equal_one_forward_pass(fleet: Fleet, n: int) -> None:
    """Sets 0 and 22 report each minute, 12 sleeps, 15 reports on change, 36 is steady."""
    machine = fleet.sets[n].machine
    last = NOW // DAY_S * DAY_S
    first = last - 40 * DAY_S
    t, seen = readings(machine, first, last)
    parts = [readings(machine, d, d + DAY_S) for d in range(last - DAY_S, first - 1, -DAY_S)]
    assert np.array_equal(np.concatenate([p[0] for p in reversed(parts)]), t)
    for channel in seen:
        whole = np.concatenate([p[1][channel] for p in reversed(parts) if len(p[0])])
        assert np.array_equal(whole, seen[channel]), channel
    told = [e for d in range(first, last, DAY_S) for e in events(machine, d, d + DAY_S)]
    assert told == events(machine, first, last)


@settings(max_examples=40, deadline=None)
@given(cut=st.integers(1, 5 * DAY_S - 1), n=st.sampled_from([3, 15, 22, 35]))
def test_a_cut_anywhere_loses_and_doubles_nothing(fleet: Fleet, cut: int, n: int) -> None:
    machine, start = fleet.sets[n].machine, NOW - 5 * DAY_S
    t, seen = readings(machine, start, NOW)
    left, right = readings(machine, start, start + cut), readings(machine, start + cut, NOW)
    assert np.array_equal(np.concatenate((left[0], right[0])), t)
    for channel in seen:
        parts = [part[1][channel] for part in (left, right) if len(part[0])]
        assert np.array_equal(np.concatenate(parts), seen[channel])


def test_a_longer_calendar_changes_nothing_before(fleet: Fleet) -> None:
    longer = build_fleet(1, NOW, until=NOW + 90 * DAY_S)
    for a, b in zip(fleet.sets, longer.sets, strict=True):
        t, seen = readings(a.machine, NOW - 2 * DAY_S, NOW + 2 * DAY_S)
        t_longer, seen_longer = readings(b.machine, NOW - 2 * DAY_S, NOW + 2 * DAY_S)
        assert np.array_equal(t, t_longer)
        assert all(np.array_equal(seen[c], seen_longer[c]) for c in seen)


def test_a_run_called_for_at_a_restart_changes_nothing_before_it(fleet: Fleet) -> None:
    """Started again ten minutes after the exercise shown at the first start, and a day after."""
    n = showcase(60)
    for later in (600, DAY_S):
        called = ((NOW + later, NOW + later + 720),)
        again = build_fleet(1, NOW, called=called).sets[n].machine
        t, _ = readings(fleet.sets[n].machine, NOW - DAY_S, NOW + later)
        assert np.array_equal(readings(again, NOW - DAY_S, NOW + later)[0], t)
    assert moments(again, np.array([NOW + DAY_S + 300], np.int64)).on[0]


def seconds_on(machine: Machine, start: int, end: int) -> int:
    """Seconds in which the engine turned, counted one by one from the physics."""
    t = np.arange(start, end, dtype=np.int64)
    return int(moments(machine, t).on.sum())


def test_the_meter_rises_by_what_was_run(fleet: Fleet) -> None:
    for n in (5, 21, 58):
        s = fleet.sets[n]
        start, end = NOW - 30 * DAY_S, NOW
        ran = seconds_on(s.machine, start, end) / 3600
        both = values(s.machine, np.array([start, end], np.int64))["run_hours_h"]
        assert ran > 0
        assert both[1] - both[0] == pytest.approx(ran, abs=0.11)  # the meter shows tenths


def test_the_counter_rises_by_the_crank_events(fleet: Fleet) -> None:
    for part in ("failed_start", "hand_runs", "late_beyond_tolerance"):
        machine = playing(fleet, part).machine
        start = NOW - 200 * DAY_S
        cranks = [e for e in events(machine, start, NOW) if e["event"] == "crank"]
        both = values(machine, np.array([start - 1, NOW - 1], np.int64))["start_attempts"]
        assert both[1] - both[0] == len(cranks) > 0


def test_counters_never_fall_where_nothing_befalls_them(fleet: Fleet) -> None:
    spared = {"meter_replaced", "meter_rolled_over", "meter_spike", "board_swapped"}
    for s in fleet.sets:
        _, seen = readings(s.machine, fleet.first, NOW)
        if s.plays not in spared and "run_hours_h" in seen:
            assert np.diff(seen["run_hours_h"]).min() >= 0, s.place.unit
        if s.plays != "board_swapped" and "start_attempts" in seen:
            assert np.diff(seen["start_attempts"]).min() >= 0, s.place.unit


def test_hours_never_rise_faster_than_time(fleet: Fleet) -> None:
    for s in fleet.sets[20:30]:
        t, seen = readings(s.machine, NOW - 90 * DAY_S, NOW)
        assert (np.diff(seen["run_hours_h"]) <= np.diff(t) / 3600 + 0.11).all()


def test_runs_of_a_set_do_not_overlap(fleet: Fleet) -> None:
    for s in fleet.sets:
        life = s.machine.life
        assert (life.start[1:] > life.end[:-1]).all()
        assert (life.end > life.start).all()


def test_float_charged_battery_stays_near_13_6_v(fleet: Fleet) -> None:
    """Float of a 12 V lead battery: 13.6 V, 13.2 to 14.0 over a year's temperatures."""
    s = plain(fleet, "float")
    t = np.arange(NOW - 300 * DAY_S, NOW, 600, dtype=np.int64)
    m = moments(s.machine, t)
    still = ~m.on & m.mains & (m.since_end > 4 * 3600) & (m.since_back > 8 * 3600)
    volts = values(s.machine, t)["battery_v"][still] * 12 / s.place.model.battery_v
    assert 13.4 < volts.mean() < 13.8
    assert volts.min() > 13.1
    assert volts.max() < 14.1


def test_battery_without_charger_rests_and_sags(fleet: Fleet) -> None:
    """Rests between 12.3 and 12.8 V, and falls between two runs a week apart."""
    s = next(s for s in fleet.sets if s.charger == "none" and s.machine.script.ails.draws == 1)
    life = s.machine.life
    gap = int(np.argmax(np.diff(life.start)))
    a, b = int(life.end[gap]) + 24 * 3600, int(life.start[gap + 1]) - 600
    volts = values(s.machine, np.arange(a, b, 600, dtype=np.int64))["battery_v"]
    volts = volts * 12 / s.place.model.battery_v
    assert (volts > 12.3).all()
    assert (volts < 12.8).all()
    assert volts[-50:].mean() < volts[:50].mean()


def test_healthy_cranks_dip_and_a_weak_one_dips_lower(fleet: Fleet) -> None:
    """12 V: a healthy battery cranks at 9 to 10.6 V, this weak one under 8.5 V."""
    for s in fleet.sets:
        scale = 12 / s.place.model.battery_v
        for e in events(s.machine, NOW - 300 * DAY_S, NOW):
            if e["event"] == "crank" and s.plays not in CRANKS_OTHERWISE:
                assert 8.9 < e["values"]["crank_min_v"] * scale < 10.6, s.place.unit
    told = events(playing(fleet, "failed_start").machine, NOW - 2 * DAY_S, NOW)
    assert [e["values"]["crank_min_v"] < 8.5 for e in told if e["event"] == "crank"] == [True] * 3


def test_volts_and_hertz_of_a_running_set(fleet: Fleet) -> None:
    """Within 3 % of nominal and 47.9 to 51.5 Hz once it has run 30 s; 0 when it stands."""
    for s in (s for s in fleet.sets if s.plays not in RUNS_OTHERWISE):
        life = s.machine.life
        t = np.concatenate(
            [np.arange(a + 30, b, 97) for a, b in zip(life.start, life.end, strict=True)]
        )
        seen = values(s.machine, t.astype(np.int64))
        share = seen["ac_v"] / s.machine.reporter.sense_gain / s.place.model.nominal_v
        assert abs(share - 1).max() < 0.03, s.place.unit
        assert seen["frequency_hz"].min() > 47.9
        assert seen["frequency_hz"].max() < 51.7
        after = values(s.machine, life.end + 10)
        assert not after["ac_v"].any()
        assert not after["charge_v"].any() or s.machine.plate.charge_tied


def test_running_signals_part_running_from_standing(fleet: Fleet) -> None:
    """AC over 200 V of 230 V (alike on 400 V); the set on its charging output: 10.6 V, 0 at rest."""
    s = playing(fleet, "charging_output_10_6_v")
    start = int(s.machine.life.start[-3])
    seen = values(s.machine, np.arange(start + 120, start + 420, 60, dtype=np.int64))["charge_v"]
    scale = 12 / s.place.model.battery_v
    assert seen.mean() * scale == pytest.approx(10.6, abs=0.2)
    assert (seen * scale > 9).all()


def test_load_only_while_running(fleet: Fleet) -> None:
    s = next(s for s in fleet.sets if "load_kw" in s.machine.reporter.channels)
    t = np.arange(NOW - 200 * DAY_S, NOW, 600, dtype=np.int64)
    on = moments(s.machine, t).on
    seen = values(s.machine, t)["load_kw"]
    assert not seen[~on].any()
    assert seen.max() < s.place.model.rated_kw


def test_fuel_falls_in_runs_and_is_filled_again(fleet: Fleet) -> None:
    s = playing(fleet, "due_by_hours")
    level = s.machine.life.fuel_pct
    assert (np.diff(s.machine.life.fuel_t) >= 0).all()
    assert level.min() > 10
    assert level.max() <= 100
    assert (np.diff(level) > 20).sum() >= 3


def test_neighbours_share_their_outages() -> None:
    days = NOW // DAY_S
    planted = last_outage(NOW)
    spans = area_outages(5, days - 365, days, [planted])
    assert planted in spans
    assert spans == sorted(spans)
    assert all(b[0] - a[1] > 3600 for a, b in pairwise(spans))
    assert 4 <= len(spans) <= 20


def test_mains_is_off_exactly_in_outages(fleet: Fleet) -> None:
    machine = fleet.sets[36].machine
    for lost, back in zip(machine.life.lost, machine.life.back, strict=True):
        seen = values(machine, np.array([lost - 1, lost, back - 1, back], np.int64))["mains_v"]
        assert (seen > 0).tolist() == [True, False, False, True]


def test_an_outage_starts_every_set_in_automatic(fleet: Fleet) -> None:
    for s in fleet.sets:
        if s.plays in ("failed_start", "failed_start_then_started", "left_out_of_auto"):
            continue
        for lost, back in zip(s.machine.life.lost, s.machine.life.back, strict=True):
            middle = np.array([(lost + back) // 2], np.int64)
            if not any(a <= lost < b for a, b in s.machine.script.manual):
                assert moments(s.machine, middle).on[0], (s.place.unit, lost)


def test_nothing_from_the_future_and_nothing_after_silence(fleet: Fleet) -> None:
    for s in fleet.sets:
        t, _ = readings(s.machine, NOW - DAY_S, NOW)
        assert not len(t) or t.max() < NOW
    silent = playing(fleet, "silent").machine
    assert not len(readings(silent, silent.script.silent_from, NOW)[0])
    assert events(silent, silent.script.silent_from, NOW) == []


@pytest.mark.parametrize(
    ("mode", "least", "most"), [("steady", 144, 300), ("on_change", 4, 120), ("sleeping", 4, 4)]
)
def test_each_habit_sends_as_often_as_it_says(
    fleet: Fleet, mode: str, least: int, most: int
) -> None:
    """Readings on a day without a run: every 10 min, on change, every 6 h."""
    last = NOW // DAY_S * DAY_S
    for s in fleet.sets:
        fine = s.machine.reporter.fine_from < last
        if s.habit.mode != mode or fine or s.plays == "silent":
            continue
        counts = [
            len(readings(s.machine, d, d + DAY_S)[0]) for d in range(last - 5 * DAY_S, last, DAY_S)
        ]
        assert least <= min(counts) <= most, s.place.unit


def test_a_running_set_reports_each_minute(fleet: Fleet) -> None:
    machine = fleet.sets[36].machine
    run = int(np.flatnonzero(machine.life.end < NOW)[-5])
    a, b = int(machine.life.start[run]), int(machine.life.end[run])
    t, seen = readings(machine, a, b + 60)
    assert t[0] - a <= 10
    assert np.diff(t[t < b]).max() <= 60
    assert seen["ac_v"][-1] == 0


def ailing(fleet: Fleet, part: str, days: float) -> tuple[DemoSet, np.ndarray]:
    """A set that plays a part, and the moments of its newest days."""
    return playing(fleet, part), np.arange(NOW - int(days * DAY_S), NOW, 60, dtype=np.int64)


def test_an_ageing_battery_cranks_lower_at_like_temperature(fleet: Fleet) -> None:
    """What the air does is 0.025 V a degree here; beyond it 2.2 V are lost in 200 days."""
    s = playing(fleet, "battery_ages")
    lows = [
        (e["at"], e["values"]["crank_min_v"])
        for e in events(s.machine, NOW - 365 * DAY_S, NOW)
        if e["event"] == "crank"
    ]
    t, v = (np.array(column) for column in zip(*lows, strict=True))
    like = v - 0.025 * moments(s.machine, t.astype(np.int64)).ambient_c
    before, newest = like[t < NOW - 200 * DAY_S].mean(), like[t > NOW - 14 * DAY_S].mean()
    assert before - newest == pytest.approx(2.1, abs=0.25)


def test_a_failed_cell_takes_more_than_a_lost_charger(fleet: Fleet) -> None:
    s, t = ailing(fleet, "failed_cell", 2)
    m = moments(s.machine, t)
    still = ~m.on & m.mains & (m.since_end > 12 * 3600)
    by = 12 / s.place.model.battery_v
    assert (values(s.machine, t[still])["battery_v"] * by).max() < 11.8
    s, t = ailing(fleet, "charger_lost", 2)
    by = 12 / s.place.model.battery_v
    still = ~moments(s.machine, t).on
    volts = values(s.machine, t[still])["battery_v"] * by
    assert 12.2 < np.median(volts) < 12.8


def test_with_an_open_neutral_the_legs_part_and_their_sum_stays(fleet: Fleet) -> None:
    s = playing(fleet, "open_neutral")
    life = s.machine.life
    run = int(np.flatnonzero(life.end < NOW)[-1])
    t = np.arange(life.start[run] + 60, life.end[run], 60, dtype=np.int64)
    seen = values(s.machine, t)
    assert (seen["ac_l1_v"] > 1.1 * 230).all()
    assert (seen["ac_l2_v"] < 0.9 * 230).all()
    both = (seen["ac_l1_v"] + seen["ac_l2_v"]) / s.place.model.nominal_v
    assert both == pytest.approx(np.ones(len(t)), abs=0.03)


def test_with_a_dead_winding_the_other_lines_stand_as_before(fleet: Fleet) -> None:
    s = playing(fleet, "leg_dead")
    life = s.machine.life
    run = int(np.flatnonzero(life.end < NOW)[-1])
    assert s.place.model.nominal_v == 400
    seen = values(s.machine, np.arange(life.start[run] + 60, life.end[run], 60, dtype=np.int64))
    assert (seen["ac_l3_v"] < 10).all()
    for name in ("ac_l1_v", "ac_l2_v"):
        assert (abs(seen[name] / 230.9 - 1) < 0.05).all()


def test_volts_stand_on_a_set_that_does_not_turn(fleet: Fleet) -> None:
    s, t = ailing(fleet, "volts_standing", 1)
    m, seen = moments(s.machine, t), values(s.machine, t)
    still = ~m.on & m.mains
    assert still.any()
    assert (seen["ac_v"][still] > 0.9 * s.place.model.nominal_v).all()
    assert not seen["running"][still].any()
    assert not seen["frequency_hz"][still].any()
