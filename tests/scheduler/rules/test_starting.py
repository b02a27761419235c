"""Start demands: attempts joined with runs. Field case 11."""

from __future__ import annotations

import pytest
from planted import (
    DAY,
    DAY_S,
    MINUTE,
    ON_CHANGE,
    STEADY,
    clock,
    event,
    facts,
    pairs,
    refused,
    series,
    starts_of,
    walk,
)

from fleet.model import DeviceEvent, Fitting, Habit, Series, StartDemand
from scheduler.day import look_again_at, open_demand
from scheduler.rules.attempts import CounterCarry, count
from scheduler.rules.starting import CYCLES, LARGE, SMALL

TEN = Habit(standing_s=600, running_s=600)
"""A device that reports every ten minutes, running or not."""


def demands(channels: dict[str, Series], *events: DeviceEvent, **over: object) -> list[StartDemand]:
    return starts_of(walk(facts(**over), channels, events))


def every(first: str, last: str, step_s: int, value: float) -> list[tuple[int, float]]:
    return [(t, value) for t in range(clock(first), clock(last) + 1, step_s)]


def test_case_11_whole_attempts_and_none_lost_at_the_windows_edge() -> None:
    """Start counter 1,1,2,2,3 every 15 s: exactly two starts."""
    one = pairs(("10:00:00", 1), ("10:00:15", 1), ("10:00:30", 2), ("10:00:45", 2), ("10:01:00", 3))
    rises, _ = count(one.t, one.v, None)
    assert sum(n for _, _, n in rises) == 2
    before, carry = count(one.t[:2], one.v[:2], None)
    inside, _ = count(one.t[2:], one.v[2:], carry)
    assert before == ()
    assert sum(n for _, _, n in inside) == 2, "the step before the window's first sample"


COUNTERS = [
    ([57, 0, 57, 58], 1, "a counter that shows 0 while restarting is a spike"),
    ([57, 0, 0, 0, 1], 1, "staying low is a reset; counted from its first reading on"),
    ([57, 0, 1, 1, 1], 1, "an attempt while the reset was still in doubt is not lost"),
    ([57, 65535, 57], 0, "garbage is no attempt"),
    ([57, 58.4, 60], 3, "whole numbers only"),
    ([57, 57, 57], 0, "nothing happened"),
]


@pytest.mark.parametrize(("values", "n", "why"), COUNTERS)
def test_counters(values: list[float], n: int, why: str) -> None:
    one = series((clock("10:00") + 60 * k, v) for k, v in enumerate(values))
    rises, carry = count(one.t, one.v, None)
    assert sum(r[2] for r in rises) == n, why
    assert isinstance(carry, CounterCarry)
    split: list[int] = []
    known = None
    for k in range(len(one)):
        some, known = count(one.t[k : k + 1], one.v[k : k + 1], known)
        split += [r[2] for r in some]
    assert sum(split) == n, "the same reading by reading"


def test_a_start_after_two_attempts() -> None:
    told = {
        "running": series(every("09:00", "10:00", 600, 0) + every("10:01", "10:10", 60, 1)),
        "start_attempts": series(
            every("09:00", "10:00", 600, 57) + every("10:01", "10:10", 60, 59)
        ),
    }
    (one,) = demands(told, habit=STEADY)
    assert (one.end, one.attempts, one.run_start) == ("started", 2, clock("10:01"))
    assert one.seen_by == ("start_attempts",)


def test_events_and_counter_are_the_same_attempts() -> None:
    told = {
        "running": series(every("09:00", "10:00", 600, 0) + every("10:01", "10:10", 60, 1)),
        "start_attempts": series(
            every("09:00", "10:00", 600, 57) + every("10:01", "10:10", 60, 59)
        ),
    }
    cranks = [
        event("10:00:10", "crank", values={"crank_min_v": 9.4, "crank_s": 6.0}),
        event("10:00:40", "crank", values={"crank_min_v": 9.6, "crank_s": 2.1}),
    ]
    told["crank_min_v"] = pairs(("10:00:10", 9.4), ("10:00:40", 9.6))
    told["crank_s"] = pairs(("10:00:10", 6.0), ("10:00:40", 2.1))
    (one,) = demands(told, *cranks, habit=STEADY)
    assert (one.end, one.attempts, one.at) == ("started", 2, clock("10:00:10"))
    assert (one.crank_min_v, one.crank_s) == (9.4, 6.0), "the lowest volts, the longest try"


def test_a_failed_to_start_event_is_proof_at_once() -> None:
    told = {"running": series(every("09:00", "10:00", 600, 0))}
    story = [
        event("10:00:05", "crank", values={"crank_min_v": 8.1}),
        event("10:00:35", "crank", values={"crank_min_v": 7.9}),
        event("10:01:05", "crank", values={"crank_min_v": 7.7}),
        event("10:01:20", "failed_to_start", cause="overcrank"),
    ]
    told["crank_min_v"] = pairs(("10:00:05", 8.1), ("10:00:35", 7.9), ("10:01:05", 7.7))
    (one,) = demands(told, *story, habit=STEADY)
    assert (one.end, one.attempts, one.cause) == ("failed", 3, "overcrank")
    assert (one.at, one.learned_at) == (clock("10:00:05"), clock("10:01:20"))
    assert one.seen_by == ("failed_to_start", "crank")


def test_the_volts_of_a_failed_start_are_kept() -> None:
    said = {"crank_min_v": 7.7, "crank_s": 15.0}
    told = {"crank_min_v": pairs(("10:01:20", 7.7)), "crank_s": pairs(("10:01:20", 15.0))}
    (one,) = demands(told, event("10:01:20", "failed_to_start", values=said))
    assert (one.end, one.crank_min_v, one.crank_s) == ("failed", 7.7, 15.0)


def test_a_count_read_later_belongs_to_the_failed_event() -> None:
    told = {
        "running": series(every("09:50", "10:30", 600, 0)),
        "start_attempts": series(
            [*every("09:50", "10:00", 600, 4), *every("10:10", "10:30", 600, 7)]
        ),
    }
    (one,) = demands(told, event("10:01:20", "failed_to_start"), habit=TEN)
    assert (one.end, one.attempts) == ("failed", 3)


def test_the_same_over_midnight_is_one_demand() -> None:
    late, early = clock("23:58"), clock("00:05", DAY + 1)
    told = {
        "running": series([(late - 600, 0), (late, 0), (early, 0), (early + 600, 0)]),
        "start_attempts": series([(late - 600, 4), (late, 4), (early, 7), (early + 600, 7)]),
    }
    (one,) = demands(told, event(late + 60, "failed_to_start"), habit=TEN)
    assert one.end == "failed"


def test_attempts_without_a_run_and_seen_off_after_the_cycle_failed() -> None:
    """A steady minute habit hides no run: the first off reading after 75 s is proof."""
    told = {
        "running": series(every("09:58", "10:05", 60, 0)),
        "start_attempts": series(
            [*every("09:58", "10:00", 60, 4), *every("10:01", "10:05", 60, 7)]
        ),
    }
    (one,) = demands(told)
    assert (one.end, one.attempts, one.learned_at) == ("failed", 3, clock("10:03"))


def ten_minutes_apart(meter: list[float] | None) -> dict[str, Series]:
    """Counter readings ten minutes apart, three attempts between two of them, never a run."""
    at = ["09:50", "10:00", "10:10", "10:20"]
    told = {
        "running": pairs(*[(t, 0) for t in at]),
        "start_attempts": pairs(*zip(at, [4, 4, 7, 7], strict=True)),
    }
    if meter is not None:
        told["run_hours_h"] = pairs(*zip(at, meter, strict=True))
    return told


def test_ten_minutes_apart_a_short_run_could_have_been_missed() -> None:
    (one,) = demands(ten_minutes_apart(None), habit=TEN)
    assert (one.end, one.attempts) == ("unknown", 3)


def test_ten_minutes_apart_a_meter_that_stood_still_is_proof() -> None:
    (one,) = demands(ten_minutes_apart([100.3, 100.3, 100.3, 100.3]), habit=TEN)
    assert (one.end, one.seen_by) == ("failed", ("start_attempts", "run_hours_h"))


def test_a_meter_that_may_count_whole_hours_proves_nothing() -> None:
    """100 on four readings: no step was seen, and a whole-hour meter would show the same."""
    (one,) = demands(ten_minutes_apart([100.0, 100.0, 100.0, 100.0]), habit=TEN)
    assert one.end == "unknown"


@pytest.mark.parametrize(("gained", "end"), [(2.1, "started"), (0.0, "failed")])
def test_an_attempt_counted_in_the_last_report_of_a_day(gained: float, end: str) -> None:
    """Four reports a day: the run, and what the meter gained, lie before midnight."""
    at = [clock("10:08"), clock("16:08"), clock("22:08"), clock("04:08", DAY + 1)]
    told = {
        "running": series((t, 0.0) for t in at),
        "start_attempts": series(zip(at, [4.0, 4.0, 5.0, 5.0], strict=True)),
        "run_hours_h": series(zip(at, [165.3, 165.3, 165.3 + gained, 165.3 + gained], strict=True)),
    }
    (one,) = demands(told, habit=Habit(mode="sleeping", standing_s=21_600, running_s=21_600))
    assert (one.end, one.attempts, one.at) == (end, 1, clock("22:08"))


def test_ten_minutes_apart_a_meter_that_moved_tells_of_a_run() -> None:
    (one,) = demands(ten_minutes_apart([100.0, 100.0, 100.1, 100.1]), habit=TEN)
    assert (one.end, one.run_start) == ("started", None)


def test_a_coarse_meter_that_stood_still_proves_nothing() -> None:
    told = ten_minutes_apart(None)
    before = [(clock("00:00") + 3600 * k, float(k)) for k in range(10)]
    told["run_hours_h"] = series(
        before + [(clock(t), 9.0) for t in ("09:50", "10:00", "10:10", "10:20")]
    )
    (one,) = demands(told, habit=TEN)
    assert one.end == "unknown"


def test_running_reports_every_minute_prove_it_without_a_meter() -> None:
    """Standing every ten minutes, running every minute: a run would have been reported."""
    (one,) = demands(ten_minutes_apart(None), habit=STEADY)
    assert one.end == "failed"


def test_a_gap_after_attempts_is_unknown() -> None:
    told = {"running": pairs(("09:59", 0), ("10:00", 0), ("12:00", 0), ("12:01", 0))}
    (one,) = demands(told, event("10:00:05", "crank"))
    assert one.end == "unknown"


def test_a_run_without_attempt_is_by_hand_where_attempts_are_counted() -> None:
    told = {
        "running": series(every("09:58", "10:00", 60, 0) + every("10:01", "10:10", 60, 1)),
        "start_attempts": series(every("09:58", "10:10", 60, 57)),
    }
    (one,) = demands(told)
    assert (one.end, one.attempts, one.learned_at) == ("by_hand", 0, clock("10:02"))


def test_a_run_without_attempt_is_not_seen_where_they_are_not() -> None:
    told = {"running": series(every("09:58", "10:00", 60, 0) + every("10:01", "10:10", 60, 1))}
    (one,) = demands(told)
    assert one.end == "not_seen"


def test_out_of_automatic_a_set_cannot_start_by_itself() -> None:
    """Common practice, no source: with the panel switch out of automatic it is by hand."""
    told = {
        "running": series(every("09:58", "10:00", 60, 0) + every("10:01", "10:10", 60, 1)),
        "start_attempts": series(every("09:58", "10:00", 60, 57) + every("10:01", "10:10", 60, 58)),
        "in_auto": series(every("09:58", "10:10", 60, 0)),
        "mains_v": series(every("09:58", "10:10", 60, 0)),
    }
    days = walk(facts(), told)
    (one,) = starts_of(days)
    assert (one.end, one.attempts) == ("by_hand", 1)
    going = days[-1].carry.runs.run
    assert going is not None
    assert (going.why, going.confidence) == ("by_hand", "high"), "though the mains is off"


def test_a_failed_demand_and_the_start_after_it_share_one_count() -> None:
    told = {
        "running": series(every("09:50", "10:00", 600, 0) + every("10:05", "10:10", 60, 1)),
        "start_attempts": series(
            [*every("09:50", "10:00", 600, 4), *every("10:05", "10:10", 60, 8)]
        ),
    }
    failed, started = demands(told, event("10:01:20", "failed_to_start"), habit=STEADY)
    assert (failed.end, failed.attempts) == ("failed", 3)
    assert (started.end, started.attempts) == ("started", 1)


def test_attempts_on_a_running_set_are_no_demand() -> None:
    told = {
        "running": series(every("09:58", "10:00", 60, 0) + every("10:01", "10:30", 60, 1)),
        "start_attempts": series(
            [
                *every("09:58", "10:00", 60, 4),
                *every("10:01", "10:20", 60, 5),
                *every("10:21", "10:30", 60, 6),
            ]
        ),
    }
    (one,) = demands(told)
    assert (one.end, one.attempts) == ("started", 1)


def test_repeated_crank_readings_are_one_attempt() -> None:
    """Some devices send the last crank in every message."""
    volts = [*every("09:58", "10:00", 60, 9.9), *every("10:01", "10:10", 60, 9.4)]
    told = {
        "running": series(every("09:58", "10:00", 60, 0) + every("10:01", "10:10", 60, 1)),
        "crank_min_v": series(volts),
    }
    (one,) = demands(told)
    assert (one.end, one.attempts, one.crank_min_v, one.seen_by) == ("started", 1, 9.4, ("dip",))


def test_an_unanswered_demand_goes_over_midnight_with_the_time_to_look_again() -> None:
    late = clock("23:59:30")
    told = {"running": series([(late - 60, 0), (late - 1, 0)])}
    known = facts(habit=ON_CHANGE)
    (day,) = walk(known, told, [event(late, "crank")])
    assert day.starts == ()
    look = look_again_at(day.carry, known)
    assert look == late + LARGE.total_s + 60
    early, later = open_demand(day.carry, look - 1, known), open_demand(day.carry, look, known)
    assert early is not None
    assert later is not None
    assert (early.end, later.end) == ("unknown", "failed"), "an on-change device would have told"
    told["running"] = series([(late - 60, 0), (late - 1, 0), (late + 20, 1)])
    (answer,) = demands(told, event(late, "crank"), habit=ON_CHANGE)
    assert (answer.end, answer.run_start) == ("started", late + 20)


def test_silence_of_a_steady_device_proves_nothing() -> None:
    late = clock("23:59:30")
    known = facts(habit=MINUTE)
    (day,) = walk(known, {"running": series([(late - 60, 0)])}, [event(late, "crank")])
    seen = open_demand(day.carry, late + DAY_S, known)
    assert seen is not None
    assert seen.end == "unknown"


def test_another_board_counts_from_its_own_first_reading() -> None:
    swap = clock("11:00")
    fittings = (
        Fitting(id="f1", device="d1", unit="u1", to_at=swap),
        Fitting(id="f2", device="d2", unit="u1", from_at=swap),
    )
    told = {
        "running": series(every("10:00", "12:00", 600, 0)),
        "start_attempts": series(
            [*every("10:00", "10:50", 600, 4), *every("11:00", "12:00", 600, 40)]
        ),
    }
    assert demands(told, habit=TEN, fittings=fittings) == []


def test_cranking_cycles() -> None:
    """NFPA 110 as in UFGS 16263A 2.11.2: 3 x 15 s + 2 x 15 s = 75 s (check-values 3)."""
    assert LARGE.total_s == 75
    assert CYCLES["liquid_spark"] is LARGE
    assert CYCLES["air_spark"] is SMALL
    assert 3 <= SMALL.tries <= 5
    assert 3 <= SMALL.crank_s <= 6


def test_the_units_own_cycle_wins() -> None:
    told = {
        "running": series(every("09:58", "10:10", 60, 0)),
        "start_attempts": series(
            [*every("09:58", "10:00", 60, 4), *every("10:01", "10:10", 60, 7)]
        ),
    }
    (one,) = demands(told, cranking_cycle_s=240)
    assert one.learned_at == clock("10:05")


ILLEGAL = [
    ({"tries": 0}, "at least 1 s"),
    ({"crank_s": 0}, "at least 1 s"),
    ({"rest_s": -1}, "not negative"),
]


@pytest.mark.parametrize(("values", "why"), ILLEGAL)
def test_illegal_cycles_are_refused(values: dict[str, int], why: str) -> None:
    assert why in refused(LARGE, **values)
