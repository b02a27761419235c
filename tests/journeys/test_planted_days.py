"""Plant runs, failed starts and a meter from a seed; ask the days for them (invented data)."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray
from planted import (
    DAY,
    DAY_S,
    MIDNIGHT,
    ON_CHANGE,
    STEADY,
    event,
    facts,
    gained_h,
    runs_of,
    series,
    starts_of,
    walk,
)

from fleet.model import DeviceEvent, Habit, Series
from scheduler.day import Day, encode

Seconds = NDArray[np.int64]

SEEDS = range(8)
WEEKS = 2
LAST = MIDNIGHT + WEEKS * 7 * DAY_S


@dataclass(frozen=True)
class Truth:
    """What happened: (start, end, attempts) of runs, (at, attempts, told by event) of failures."""

    runs: list[tuple[int, int, int]]
    failures: list[tuple[int, int, bool]]


def plant(seed: int) -> Truth:
    rng = np.random.default_rng(seed)
    at, runs, failures = MIDNIGHT + int(rng.integers(3600, DAY_S)), [], []
    while at < LAST - 2 * DAY_S:
        if rng.random() < 0.25:
            failures.append((at, 3, bool(rng.random() < 0.5)))
        else:
            length = int(rng.integers(300, 4 * 3600))
            runs.append((at, at + length, int(rng.integers(1, 4))))
            at += length
        at += int(rng.integers(3 * 3600, 3 * DAY_S))
    return Truth(runs, failures)


def at_work(truth: Truth, t: Seconds) -> NDArray[np.bool_]:
    on = np.zeros(len(t), bool)
    for start, end, _ in truth.runs:
        on |= (t >= start) & (t < end)
    return on


def told(truth: Truth, t: Seconds) -> dict[str, Series]:
    """Channels of a truthful device that reads at the times t."""
    ran = sum(np.clip(t - start, 0, end - start) for start, end, _ in truth.runs)
    tries = sum(n * (t >= at) for at, _, n in truth.runs) + sum(
        n * (t >= at) for at, n, _ in truth.failures
    )
    return {
        "running": Series(t, at_work(truth, t).astype(float)),
        "run_hours_h": Series(t, np.floor((500 + np.asarray(ran) / 3600) * 10) / 10),
        "start_attempts": Series(t, np.asarray(tries, float) + 40),
    }


def steady_times(truth: Truth) -> Seconds:
    """Every 10 min standing, every minute running, and at once when a run ends."""
    t = set(range(MIDNIGHT, LAST, 600))
    for start, end, _ in truth.runs:
        t |= set(range(start, end + 60, 60))
    return np.array(sorted(t), np.int64)


def events(truth: Truth) -> list[DeviceEvent]:
    return [
        event(at + 75, "failed_to_start", cause="overcrank")
        for at, _, by_event in truth.failures
        if by_event
    ]


def days_of(truth: Truth, t: Seconds, habit: Habit) -> list[Day]:
    days = range(DAY, DAY + 7 * WEEKS)
    return walk(facts(habit=habit), told(truth, t), events(truth), days)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_planted_run_is_found_to_the_minute(seed: int) -> None:
    truth = plant(seed)
    found = runs_of(days_of(truth, steady_times(truth), STEADY))
    assert [run.start for run in found] == [start for start, _, _ in truth.runs]
    for run, (_, end, _) in zip(found, truth.runs, strict=True):
        assert run.end_seen == "observed"
        assert 0 <= (run.end or 0) - end <= 60


@pytest.mark.parametrize("seed", SEEDS)
def test_every_planted_demand_ends_as_planted(seed: int) -> None:
    truth = plant(seed)
    found = starts_of(days_of(truth, steady_times(truth), STEADY))
    started = [(d.run_start, d.attempts) for d in found if d.end == "started"]
    assert started == [(start, n) for start, _, n in truth.runs]
    failed = [d for d in found if d.end == "failed"]
    assert len(failed) == len(truth.failures)
    assert [d.attempts for d in failed] == [n for _, n, _ in truth.failures]
    for demand, (at, _, by_event) in zip(failed, truth.failures, strict=True):
        assert -1 <= demand.at - at <= 600
        assert (demand.learned_at or 0) - at <= (75 if by_event else 1200)
    assert len(found) == len(started) + len(failed)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_meter_gains_what_ran(seed: int) -> None:
    truth = plant(seed)
    days = days_of(truth, steady_times(truth), STEADY)
    ran_h = sum(end - start for start, end, _ in truth.runs) / 3600
    assert gained_h(days) == pytest.approx(ran_h, abs=0.11)
    assert [odd for day in days for odd in day.meter] == []
    assert sum(day.rise_standing_h for day in days) <= 0.1 * len(truth.runs)
    assert sum(day.standing_watched_s for day in days) > 0.5 * WEEKS * 7 * DAY_S


@pytest.mark.parametrize("seed", SEEDS)
def test_an_on_change_device_tells_the_same_runs(seed: int) -> None:
    """Only the changes are sent, and a heartbeat a day."""
    truth = plant(seed)
    t = set(range(MIDNIGHT, LAST, DAY_S))
    for start, end, _ in truth.runs:
        t |= {start, end}
    for at, _, _ in truth.failures:
        t |= {at}
    days = days_of(truth, np.array(sorted(t), np.int64), ON_CHANGE)
    assert [(r.start, r.end) for r in runs_of(days)] == [(a, b) for a, b, _ in truth.runs]
    ends = [d.end for d in starts_of(days)]
    assert ends.count("started") == len(truth.runs)
    assert ends.count("failed") == len(truth.failures)


@pytest.mark.parametrize("seed", SEEDS)
def test_days_that_come_late_give_the_days_of_one_clean_pass(seed: int) -> None:
    """Half of the readings arrive after the days were made: digested again, bytes are equal."""
    truth = plant(seed)
    t = steady_times(truth)
    known = facts(habit=STEADY)
    clean = [encode(day) for day in walk(known, told(truth, t), events(truth))]
    rng = np.random.default_rng(seed)
    first = rng.random(len(t)) < 0.5
    parts = [told(truth, t[first]), told(truth, t[~first])]
    walk(known, parts[0], events(truth))
    joined = {
        name: series(
            (int(at), float(v))
            for part in reversed(parts)
            for at, v in zip(part[name].t, part[name].v, strict=True)
        )
        for name in parts[0]
    }
    assert [encode(day) for day in walk(known, joined, list(reversed(events(truth))))] == clean


@pytest.mark.parametrize("seed", SEEDS)
def test_lost_readings_lose_certainty_and_add_no_hours(seed: int) -> None:
    """A third of the time nothing came through, and no hour meter to bridge it."""
    truth = plant(seed)
    t = steady_times(truth)
    dark = (t // 7200 + seed) % 3 == 0
    channels = told(truth, t[~dark])
    del channels["run_hours_h"]
    days = walk(facts(habit=STEADY), channels, days=range(DAY, DAY + 7 * WEEKS))
    for run in runs_of(days):
        inside = [s for s, e, _ in truth.runs if s <= run.start and (run.end or 0) <= e + 60]
        assert len(inside) == 1, "no run is counted where there was none"
        assert run.longest_gap_s <= 180
    bridged = walk(facts(habit=STEADY), told(truth, t[~dark]), days=range(DAY, DAY + 7 * WEEKS))
    long_runs = [run for run in runs_of(bridged) if run.bridged_by_meter]
    for run in long_runs:
        assert any(s <= run.start and (run.end or 0) <= e + 600 for s, e, _ in truth.runs)
    seen = {d.end for d in starts_of(days)}
    assert seen <= {"started", "failed", "unknown", "by_hand", "not_seen"}


def test_a_sleeping_device_is_late_only_after_its_second_missed_report() -> None:
    """Every 6 h: one missed report is no gap, two are."""
    habit = Habit(mode="sleeping", standing_s=21_600, running_s=60)
    t = [MIDNIGHT + 21_600 * k for k in (0, 1, 3, 4, 7, 8)]
    days = walk(facts(habit=habit), {"running": series((at, 0.0) for at in t)})
    gaps = [gap for day in days for gap in day.gaps]
    assert [(g.start, g.end) for g in gaps] == [(t[3], t[4])]


def test_the_habit_is_learned_from_what_was_sent() -> None:
    truth = plant(3)
    days = days_of(truth, steady_times(truth), msgspec.structs.replace(STEADY, standing_s=900))
    assert {day.standing_interval_s for day in days} == {600}
    assert {day.running_interval_s for day in days} <= {60, None}
