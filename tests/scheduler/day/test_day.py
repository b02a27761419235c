"""A whole day: bytes, order, fingerprints, what is handed over midnight. Field cases 10, 20, 22."""

from __future__ import annotations

import random
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
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
    gained_h,
    pairs,
    runs_of,
    series,
    starts_of,
    walk,
)

from fleet.model import Calibration, DeviceEvent, Fitting, Habit, RunningSignal, Series
from scheduler.day import (
    Carry,
    Day,
    carry_key,
    decode,
    digest,
    encode,
    fingerprint,
    look_again_at,
)


def full_day(seed: int = 1) -> tuple[dict[str, Series], list[DeviceEvent]]:
    """A day with a spike of the meter, a failed start, a run, a gap and a mains loss."""
    rng = np.random.default_rng(seed)
    t = np.concatenate(
        [
            np.arange(clock("00:00"), clock("10:00"), 600),
            np.arange(clock("10:00"), clock("10:31"), 60),
            np.arange(clock("12:00"), clock("23:59"), 600),
        ]
    ).astype(np.int64)
    on = (t >= clock("10:01")) & (t <= clock("10:29"))
    hours = np.round(812.4 + np.clip((t - clock("10:01")) / 3600, 0, 0.47), 2)
    hours[20] = 0.0
    values = {
        "running": on.astype(float),
        "run_hours_h": hours,
        "start_attempts": np.where(t >= clock("10:01"), 8.0, 4.0),
        "mains_v": np.where((t >= clock("10:00")) & (t < clock("10:20")), 0.0, 231.0),
        "battery_v": np.round(12.6 + rng.normal(0, 0.05, len(t)), 2),
        "load_kw": np.where(on, np.round(rng.uniform(2, 3, len(t)), 2), 0.0),
    }
    told = [
        event("09:58", "failed_to_start", cause="overcrank"),
        event("10:00:50", "crank", values={"crank_min_v": 9.4}),
        event("10:00:55", "started"),
        event("10:29:30", "stopped"),
        event("10:00", "mains_lost"),
    ]
    return {name: Series(t, v) for name, v in values.items()}, told


@given(st.randoms(use_true_random=False))
@settings(max_examples=25)
def test_any_order_gives_the_same_bytes(shuffle: random.Random) -> None:
    """Field case 22: rows in any order, some twice, give the same Day as in order once."""
    whole, told = full_day()
    plain = encode(digest(facts(habit=STEADY), DAY, whole, told))
    rows = [
        (int(t), name, float(v))
        for name, one in whole.items()
        for t, v in zip(one.t, one.v, strict=True)
    ]
    rows += shuffle.sample(rows, 40)
    shuffle.shuffle(rows)
    kept: dict[str, dict[int, float]] = {}
    for at, name, value in rows:
        kept.setdefault(name, {})[at] = value
    again = {name: series(points.items()) for name, points in kept.items()}
    shuffle.shuffle(told)
    assert encode(digest(facts(habit=STEADY), DAY, again, told)) == plain


def test_case_22_an_old_reading_that_comes_late_leaves_the_newest_as_it_was() -> None:
    order = ["10:05", "09:58", "09:59", "10:06", "09:58", "10:00"]
    state = {"09:58": 0, "09:59": 1, "10:00": 1, "10:05": 0, "10:06": 0}
    late = {"running": series({(clock(t), state[t]) for t in order})}
    once = {"running": pairs(*state.items())}
    assert encode(digest(facts(), DAY, late)) == encode(digest(facts(), DAY, once))
    assert digest(facts(), DAY, late).spots["running"].last_at == clock("10:06")


def test_case_20_a_retained_reading_is_never_here_so_nothing_happens() -> None:
    """A retained message is no reading (docs/wire.md): the day knows only 09:00, and no run comes of it."""
    (day,) = walk(facts(), {"running": pairs(("08:59", 0), ("09:00", 0))})
    assert (day.last_at, day.runs, day.starts) == (clock("09:00"), (), ())
    assert look_again_at(day.carry, facts()) is None


def test_case_10_the_night_the_clocks_go_back_has_two_starts_in_one_local_day() -> None:
    """Europe/Berlin, 2020-10-25: 00:30Z and 01:30Z are both 02:30 local, a day of 25 h."""
    zone = ZoneInfo("Europe/Berlin")
    day = int(datetime(2020, 10, 25, tzinfo=ZoneInfo("UTC")).timestamp()) // DAY_S
    begun = [clock("00:30", day), clock("01:30", day)]
    points = [(t, 0.0) for t in range(begun[0] - 1800, begun[1] + 7200, 60)]
    running = {t: 0.0 for t, _ in points} | {
        t: 1.0 for start in begun for t in range(start, start + 600, 60)
    }
    counter = {t: 4.0 + (t >= begun[0]) + (t >= begun[1]) for t in running}
    days = walk(
        facts(), {"running": series(running.items()), "start_attempts": series(counter.items())}
    )
    started = [d for d in starts_of(days) if d.end == "started"]
    local = [datetime.fromtimestamp(d.run_start or 0, zone) for d in started]
    assert [at.strftime("%H:%M") for at in local] == ["02:30", "02:30"]
    assert len({at.date() for at in local}) == 1
    first, last = (datetime(2020, 10, d, tzinfo=zone) for d in (25, 26))
    assert last.timestamp() - first.timestamp() == 25 * 3600
    assert sum((r.end or 0) - r.start for r in runs_of(days)) == 2 * 600


def test_the_planted_day_says_what_was_planted() -> None:
    whole, told = full_day()
    day = digest(facts(habit=STEADY), DAY, whole, told)
    (run,) = day.runs
    assert (run.start, run.end) == (clock("10:00:55"), clock("10:29:30"))
    assert (run.why, run.confidence) == ("outage", "high")
    assert run.peak_load_kw == whole["load_kw"].v.max()
    assert [(d.end, d.attempts) for d in day.starts] == [("failed", 0), ("started", 4)]
    assert [odd.kind for odd in day.meter] == ["spike"]
    assert gained_h([day]) == pytest.approx(0.47, abs=0.011)
    assert [(gap.start, gap.end) for gap in day.gaps] == [(clock("10:30"), clock("12:00"))]
    assert [(m.kind, m.earliest, m.latest) for m in day.mains] == [
        ("lost", clock("09:50"), clock("10:00")),
        ("back", clock("10:19"), clock("10:20")),
    ]
    assert (day.standing_interval_s, day.running_interval_s) == (600, 60)
    assert day.n == len(whole["running"])
    assert day.spots["battery_v"].min == whole["battery_v"].v.min()


def test_a_run_over_midnight_stands_on_the_day_its_end_became_known() -> None:
    start = clock("23:30")
    on = [(start - 60, 0.0)] + [(t, 1.0) for t in range(start, start + 3600, 60)]
    told = {"running": series([*on, (start + 3600, 0), (start + 3660, 0)])}
    first, second = walk(facts(), told)
    assert first.runs == ()
    assert first.carry.runs.run is not None
    (run,) = second.runs
    assert (run.start, run.end, run.readings) == (start, start + 3600, 60)
    assert second.carry.runs.run is None


def test_carry_holds_open_state_and_never_totals() -> None:
    """A second identical month leaves the carry as the first did, but for times and counts."""
    whole, told = full_day()
    day = digest(facts(habit=STEADY), DAY, whole, told)
    again = decode(encode(day))
    assert again == day
    assert len(msgspec.json.encode(day.carry)) < 1500


def test_readings_outside_the_day_are_ignored() -> None:
    whole, told = full_day()
    plain = digest(facts(habit=STEADY), DAY, whole, told)
    more = {
        name: series(
            [
                *zip(one.t.tolist(), one.v.tolist(), strict=True),
                (MIDNIGHT - 5, 1.0),
                (MIDNIGHT + DAY_S, 1.0),
            ]
        )
        for name, one in whole.items()
    }
    late = event(MIDNIGHT + DAY_S, "crank")
    assert encode(digest(facts(habit=STEADY), DAY, more, [*told, late])) == encode(plain)


def test_an_empty_day_hands_on_what_it_was_given() -> None:
    whole, told = full_day()
    before = digest(facts(habit=STEADY), DAY, whole, told)
    empty = digest(facts(habit=STEADY), DAY + 1, {}, (), before.carry)
    assert (empty.n, empty.runs, empty.hours, empty.spots) == (0, (), (), {})
    assert empty.carry == before.carry
    assert digest(facts(), DAY, {}).carry == Carry(fitting="f1")


def test_a_whole_days_shift_shifts_the_day() -> None:
    whole, told = full_day()
    week = 7 * DAY_S
    moved = {name: Series(one.t + week, one.v) for name, one in whole.items()}
    later = [msgspec.structs.replace(e, at=e.at + week) for e in told]
    one = digest(facts(habit=STEADY), DAY, whole, told)
    two = digest(facts(habit=STEADY), DAY + 7, moved, later)
    assert _back(two, week) == _back(one, 0)


def _back(day: Day, by: int) -> object:
    """The day as plain data with every moment moved back and its number left out."""

    def walk_in(value: object) -> object:
        if isinstance(value, dict):
            return {k: walk_in(v) for k, v in value.items() if k != "day"}
        if isinstance(value, list):
            return [walk_in(v) for v in value]
        if isinstance(value, int) and value > MIDNIGHT - DAY_S:
            return value - by
        return value

    return walk_in(msgspec.json.decode(encode(day)))


def test_hours_while_standing_are_watched() -> None:
    """A meter that counts with the key on gains what it was watched."""
    t = [clock("00:00") + 600 * k for k in range(144)]
    told = {
        "running": series((at, 0.0) for at in t),
        "run_hours_h": series((at, round(100 + k / 6, 1)) for k, at in enumerate(t)),
    }
    day = digest(facts(habit=STEADY), DAY, told)
    assert day.rise_standing_h == pytest.approx(143 / 6, abs=0.1)
    assert day.standing_watched_s == 143 * 600
    honest = {**told, "run_hours_h": series((at, 100.0) for at in t)}
    assert digest(facts(habit=STEADY), DAY, honest).rise_standing_h == 0.0


def test_a_swapped_board_begins_afresh_without_a_reset() -> None:
    swap = clock("12:00")
    fittings = (
        Fitting(id="f1", device="d1", unit="u1", to_at=swap),
        Fitting(id="f2", device="d2", unit="u1", from_at=swap),
    )
    t = [clock("00:00") + 600 * k for k in range(144)]
    told = {
        "running": series((at, 0.0) for at in t),
        "run_hours_h": series((at, 3.1 if at >= swap else 812.4) for at in t),
    }
    day = digest(facts(habit=STEADY, fittings=fittings), DAY, told)
    assert day.meter == ()
    assert gained_h([day]) == 0
    assert (day.carry.fitting, day.carry.meter.max_h) == ("f2", 3.1)
    unknown = digest(facts(habit=STEADY), DAY, told)
    assert [odd.kind for odd in unknown.meter] == ["reset"], "not recorded: the user is asked"


REASONS = [
    ({"mains_v": [0, 0, 0, 0]}, {}, "outage", "medium", "mains absent, since when is not known"),
    ({"mains_v": [231, 0, 0, 0]}, {}, "outage", "high", "lost within 5 min before the start"),
    ({"mains_v": [0, 0, 231, 231]}, {}, "unknown", "low", "mains was back before it began"),
    ({"mains_v": [231, 231, 231, 0]}, {}, "unknown", "low", "lost only afterwards"),
    ({"mains_v": [120, 120, 120, 120]}, {}, "unknown", "low", "120 of 230 V is above half"),
    ({"mains_v": [100, 100, 100, 100]}, {}, "outage", "medium", "100 of 230 V is below half"),
    ({}, {"mains_lost": "09:58"}, "outage", "high", "an event within 5 min before"),
    ({}, {"mains_lost": "09:50"}, "unknown", "low", "an event 12 min before is too old"),
    ({}, {"mains_lost": "09:58", "mains_back": "10:00"}, "unknown", "low", "back before"),
    ({"in_auto": [1, 1, 0, 0], "mains_v": [0, 0, 0, 0]}, {}, "by_hand", "high", "not in auto"),
    ({"start_attempts": [4, 4, 4, 4]}, {}, "by_hand", "high", "no attempt began it"),
    ({}, {}, "unknown", "low", "nothing tells"),
]


@pytest.mark.parametrize(("channels", "told", "why", "confidence", "reason"), REASONS)
def test_why_a_run_began(
    channels: dict[str, list[float]],
    told: dict[str, str],
    why: str,
    confidence: str,
    reason: str,
) -> None:
    at = ["10:00", "10:01", "10:02", "10:03"]
    whole = {"running": pairs(*zip(at, [0, 0, 1, 1], strict=True), ("10:04", 0))}
    whole |= {name: pairs(*zip(at, v, strict=True)) for name, v in channels.items()}
    day = digest(facts(), DAY, whole, [event(t, name) for name, t in told.items()])
    (run,) = day.runs
    assert (run.why, run.confidence) == (why, confidence), reason


def test_fingerprints_follow_what_a_day_depends_on() -> None:
    plain = fingerprint(facts(), DAY, None)
    assert plain == fingerprint(facts(), DAY, None)
    gauge = Calibration(id="c", fitting="f1", channel="ac_v", gain=1.03, offset=0, from_at=MIDNIGHT)
    reaching = [
        facts(habit=STEADY),
        facts(nominal_v=120.0),
        facts(cranking_cycle_s=90),
        facts(hour_meter_digits=5),
        facts(anchors=(MIDNIGHT + 5,)),
        facts(calibrations=(gauge,)),
        facts(fittings=(Fitting(id="f2", device="d2", unit="u1"),)),
    ]
    prints = {fingerprint(known, DAY, None) for known in reaching}
    assert len(prints | {plain}) == len(reaching) + 1
    assert fingerprint(facts(), DAY + 1, None) != plain
    assert fingerprint(facts(), DAY, Carry(last_at=5)) != plain
    later = msgspec.structs.replace(gauge, from_at=MIDNIGHT + DAY_S)
    idle = [
        facts(anchors=(MIDNIGHT + DAY_S + 5,)),
        facts(calibrations=(later,)),
        facts(
            fittings=(
                *facts().fittings,
                Fitting(id="f2", device="d", unit="u1", from_at=later.from_at),
            )
        ),
        facts(habit=msgspec.structs.replace(MINUTE, source="learned")),
    ]
    assert {fingerprint(known, DAY, None) for known in idle} == {plain}, "they do not reach it"


CHANNELS = {
    "running": [0.0, 1.0],
    "ac_v": [0.0, 150.0, 190.0, 231.0, 900.0],
    "run_hours_h": [0.0, 100.0, 100.1, 100.2, 101.0, 65535.0, 500_000.0],
    "start_attempts": [0.0, 1.0, 2.0, 5.0, 70_000.0],
    "crank_min_v": [9.4, 8.8, 0.0],
    "in_auto": [0.0, 1.0],
    "mains_v": [0.0, 231.0],
    "load_kw": [0.0, 2.5, -5.0],
    "made_up": [1.0, -1.0],
}
NAMES = [
    "crank",
    "started",
    "failed_to_start",
    "stopped",
    "not_in_auto",
    "in_auto",
    "shutdown",
    "mains_lost",
    "mains_back",
    "over_voltage",
]
moments = st.integers(0, 3 * 1440 - 1).map(lambda k: MIDNIGHT + 60 * k)
anything = st.fixed_dictionaries(
    {
        name: st.dictionaries(moments, st.sampled_from(values), max_size=25)
        for name, values in CHANNELS.items()
    }
)
happenings = st.lists(st.tuples(moments, st.sampled_from(NAMES)), max_size=15)
EITHER = RunningSignal(first=KNOWS.first, second=AC.first, join="either")
BOTH = RunningSignal(first=KNOWS.first, second=AC.first, join="both", hold_on_s=60)


@given(
    anything,
    happenings,
    st.sampled_from([MINUTE, STEADY, ON_CHANGE, Habit(mode="sleeping", standing_s=21_600)]),
    st.sampled_from([KNOWS, AC, EITHER, BOTH]),
)
@settings(max_examples=150)
def test_whatever_comes_a_day_stands(
    channels: dict[str, dict[int, float]],
    told: list[tuple[int, str]],
    habit: Habit,
    signal: RunningSignal,
) -> None:
    """Runs never overlap nor end before they begin; no demand is told twice; bytes come back."""
    whole = {name: series(points.items()) for name, points in channels.items() if points}
    known = facts(habit=habit, signal=signal)
    days = walk(known, whole, [event(at, name) for at, name in told], range(DAY, DAY + 3))
    found = runs_of(days)
    for run, following in pairwise(found):
        assert (run.end or 0) <= following.start
    for run in found:
        assert run.end is not None
        assert (run.start_earliest or run.start) <= run.start <= run.end
        assert run.end <= (run.end_latest or run.end)
    keys = [(d.at, d.run_start, d.end) for d in starts_of(days)]
    assert len(keys) == len(set(keys))
    begun = [d.run_start for d in starts_of(days) if d.run_start is not None]
    assert len(begun) == len(set(begun)), "a run has one demand"
    for day in days:
        assert decode(encode(day)) == day
        assert sum(part.hours_h for part in day.hours) <= 48 + 2
        assert all(gap.end > gap.start for gap in day.gaps)


def test_carry_keys_tell_states_apart() -> None:
    assert carry_key(None) == carry_key(None)
    assert len({carry_key(None), carry_key(Carry()), carry_key(Carry(last_at=1))}) == 3


def test_days_cut_anywhere_know_the_same_hours_and_attempts() -> None:
    """Two weeks: what the days say together is what was planted, run by run."""
    t = np.arange(MIDNIGHT, MIDNIGHT + 14 * DAY_S, 600, dtype=np.int64)
    begins = [MIDNIGHT + k * DAY_S + 85_800 for k in range(0, 14, 2)]
    on = np.zeros(len(t))
    for start in begins:
        on[(t >= start) & (t < start + 3600)] = 1
    seconds = np.cumsum(np.r_[0, np.diff(t) * on[:-1]])
    told = {
        "running": Series(t, on),
        "run_hours_h": Series(t, np.round(100 + seconds / 3600, 2)),
        "start_attempts": Series(
            t, np.searchsorted(np.array(begins), t, side="right").astype(np.float64) + 5.0
        ),
    }
    habit = msgspec.structs.replace(MINUTE, standing_s=600, running_s=600)
    days = walk(facts(habit=habit), told)
    assert [(r.start, r.end) for r in runs_of(days)] == [(b, b + 3600) for b in begins]
    assert [(d.end, d.attempts) for d in starts_of(days)] == [("started", 1)] * 7
    assert gained_h(days) == pytest.approx(7.0, abs=0.01)
    assert sum(len(cut(told, d.day)["running"]) for d in days) == len(t)
