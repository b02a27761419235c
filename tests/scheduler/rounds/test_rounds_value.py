"""What work is worth and when it may begin: money by hand, hours, promises, summer time."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from round_cases import (
    BEGIN,
    DAY_S,
    FIRST_DAY,
    HOUR_S,
    at,
    changed,
    job,
    planned,
    request,
    site,
    technician,
    where,
)

from scheduler.rounds import Economics, Estimate, Pin, Skill, Span, half_day, half_of, weekly
from scheduler.rounds.money import UNIT, money
from scheduler.rounds.planning import network_of
from scheduler.rounds.problem import MOST_WORTH, problem
from scheduler.rounds.value import Terms


def worth(asked: object, name: str, moment: int) -> float:
    return Terms(asked).worth.at(name, moment) / UNIT  # type: ignore[arg-type]


def test_due_work_gains_twenty_for_each_late_day_spared_and_life_counts_two_and_a_half() -> None:
    """Seven days: due on the second, six late days are spared by going on it, none after the last."""
    jobs = [job("A", due=at(1, 12)), job("L", "A", due=at(1, 12), safety=True)]
    asked = request([site("A")], jobs)
    assert [worth(asked, "A", at(day, 9)) for day in range(5)] == [520, 520, 500, 480, 460]
    assert worth(asked, "L", at(3, 9)) == 2.5 * 480


def test_what_has_waited_is_worth_more_by_hand_figures() -> None:
    """Sixty days late on the first day: half as much again; the slope too, so it goes sooner."""
    asked = request([site("A")], [job("A", due=at(-60, 12))])
    assert [worth(asked, "A", at(day, 9)) for day in range(3)] == [
        1.5 * (540 - 20 * d) for d in range(3)
    ]
    parts = request([site("A")], [job("A", due=at(-57, 12), parts_ready=at(3, 7))])
    assert worth(parts, "A", at(3, 9)) == 1.5 * (540 - 20 * 3), (
        "late days count until it can be done"
    )
    away = request(
        [site("A")],
        [job("A", due=at(-57, 12))],
        [
            changed(
                technician(), shifts=tuple(s for s in technician().shifts if s.day >= "2026-05-07")
            )
        ],
    )
    assert worth(away, "A", at(3, 9)) == worth(parts, "A", at(3, 9))
    stormy = request([site("A")], [job("A", due=at(-57, 12), earliest=at(3, 0))])
    assert worth(stormy, "A", at(3, 9)) == worth(parts, "A", at(3, 9)), "who had to wait is as late"


def test_due_work_is_worth_its_own_way_and_a_margin_whoever_goes() -> None:
    """115 km as the crow flies: 2 x 149.5 km at 0.40, 2 x 1.82 h (82.4 km/h) and a gate at 36."""
    hours = 2 * 149.5 / (25 + 60 * (1 - math.exp(-149.5 / 25)))
    alone = 299 * 0.40 + (hours + 1 / 6) * 36
    asked = request([site("A", 115, extra_money=30.0)], [job("A", due=at(6, 20))])
    assert worth(asked, "A", at(6, 9)) == pytest.approx(alone + 30 + 300 + 20, rel=0.003)
    near = request([site("A", 5)], [job("A", due=at(6, 20))])
    assert worth(near, "A", at(6, 9)) == 420


@given(
    st.lists(st.integers(-400, 6), min_size=2, max_size=2),
    st.integers(0, 6),
    st.floats(0, 23.9),
    st.booleans(),
    st.integers(0, 6),
    st.integers(1, 180),
    st.integers(1, 28),
)
def test_of_two_like_jobs_the_longer_due_is_worth_at_least_as_much_on_every_day(
    dues: list[int], day: int, hour: float, safety: bool, ready: int, km: int, horizon: int
) -> None:
    """Lateness suffered never lowers a claim; going later never raises it."""
    first, second = sorted(dues)
    jobs = [
        job(name, "A", due=at(due, 20), safety=safety, parts_ready=at(ready, 0))
        for name, due in (("older", first), ("newer", second))
    ]
    asked = request([site("A", km)], jobs, [technician(days=28)], days=horizon)
    judge = Terms(asked).worth
    moment = at(day, hour)
    assert judge.at("older", moment) >= judge.at("newer", moment)
    if judge.is_due("older"):
        assert judge.at("older", moment) >= judge.at("older", moment + DAY_S)
        assert judge.at("older", moment) >= money(400)
    if second < 0 and first < second:
        assert judge.at("older", moment) > judge.at("newer", moment), (
            "no two waits are worth the same"
        )


@given(st.lists(st.integers(0, 30 * 24), min_size=2, max_size=2), st.integers(0, 13 * 24))
def test_of_two_calls_for_help_the_older_is_worth_at_least_as_much_at_every_hour(
    ages: list[int], hours: int
) -> None:
    old, fresh = max(ages), min(ages)
    jobs = [
        job(name, "A", urgent=True, due=None, reported=BEGIN - age * HOUR_S)
        for name, age in (("old", old), ("fresh", fresh))
    ]
    late = job("late", "A", due=BEGIN - 300 * DAY_S)
    asked = request([site("A")], [*jobs, late], [technician(days=14)], days=14)
    judge = Terms(asked).worth
    moment = BEGIN + hours * HOUR_S
    assert judge.at("old", moment) >= judge.at("fresh", moment) >= money(1500)
    assert judge.at("fresh", moment) >= judge.at("fresh", moment + HOUR_S)
    assert judge.at("fresh", moment) > judge.at("late", moment), "help before routine work"


@pytest.mark.parametrize("days", [1, 14, 42])
def test_the_most_pressing_work_stays_within_the_engines_prizes(days: int) -> None:
    """A call of last year and life work a thousand days late, fixed by hand, at a far place."""
    jobs = [
        job("call", "A", urgent=True, safety=True, reported=BEGIN - 400 * DAY_S),
        job("life", "A", due=at(-1000, 9), safety=True, duration_s=5 * HOUR_S),
    ]
    pins = tuple(
        Pin(job=j.id, level="frozen", technician="T0", day=FIRST_DAY, start=at(0, 9)) for j in jobs
    )
    asked = request([site("A", 150)], jobs, days=days, pins=pins)
    network = network_of(Terms(asked), Estimate(), ["call", "life"])
    prizes = [c.prize for c in problem(network, ["call", "life"], {}, ("T0",)).clients]
    assert prizes
    assert max(prizes) < MOST_WORTH


def test_a_forecast_date_is_brought_in_by_its_uncertainty_not_before_a_day_after_earliest() -> None:
    asked = request([site("A")], [job("A", due=at(6, 0), sigma_days=2.0)])
    assert Terms(asked).worth.due_at("A") == at(4, 0)
    asked = request([site("A")], [job("A", due=at(6, 0), sigma_days=9.0, earliest=at(0, 0))])
    assert Terms(asked).worth.due_at("A") == at(1, 0)


def test_pulling_forward_is_worth_the_trip_saved_less_the_running_time_thrown_away() -> None:
    """250 over 182 days is 1.37 a day (docs/engineering/rounds.md#value); each day earlier costs so
    much more.
    """
    asked = request([site("A", 40)], [job("A", due=at(30, 0))])
    near, far = worth(asked, "A", at(4, 8)), worth(asked, "A", at(1, 8))
    assert near - far == pytest.approx(3 * 250 / 182, abs=1e-3)
    terms = Terms(asked)
    saved = terms.later["A"] / UNIT
    assert near == pytest.approx(saved - (30 - 4 - 8 / 24) * 250 / 182, abs=1e-3)
    # there and back over four stops: 2 x 40 km x 1.3 / 4 = 26 km at 0.40 and a minute each at 36/h
    assert saved == pytest.approx(26 * (0.40 + 0.60), rel=0.01)


def test_an_urgent_call_gains_thirty_for_each_hour_of_waiting_spared() -> None:
    """Seven days from the first shift on, and half as much again once it has waited sixty days."""
    asked = request([site("A")], [job("A", urgent=True, reported=at(0, 7))])
    left_h = 7 * 24 - 7
    assert [worth(asked, "A", at(0, 7 + h)) for h in (0, 1, 5)] == [
        1500 + 30 * (left_h - h) for h in (0, 1, 5)
    ]
    waited = request([site("A")], [job("A", urgent=True, reported=at(-60, 7))])
    assert worth(waited, "A", at(2, 7)) == 1.5 * (1500 + 30 * (left_h - 48))


def test_who_was_there_last_and_what_was_arranged_are_worth_something() -> None:
    pin = Pin(job="A", level="told", technician="T0", day="2026-05-05", start=at(1, 9))
    asked = request([site("A")], [job("A", technician="T0")], pins=(pin,))
    judge = Terms(asked).worth
    assert judge.at("A", at(1, 9)) == 460 * UNIT, "due on the fifth day of seven: three are spared"
    assert judge.with_technician("A", "T0", at(1, 9)) == 470 * UNIT
    kept = [
        judge.standing("A", who, when) // UNIT
        for who, when in (
            ("T0", at(1, 11)),
            ("T0", at(1, 13)),
            ("T1", at(1, 9)),
            ("T1", at(2, 9)),
        )
    ]
    assert kept == [470 + 800, 470 + 400, 460 + 400, 460]


def test_closing_hours_bound_the_end_and_test_runs_have_hours_of_their_own() -> None:
    hours = weekly({0: [("08:00", "12:00")]}, "2026-05-04", 7, "Europe/Berlin")
    loud = weekly({0: [("10:00", "11:00")]}, "2026-05-04", 7, "Europe/Berlin")
    sites = [site("A", hours=hours, test_hours=loud)]
    jobs = [job("quiet", "A"), job("run", "A", test_s=1800)]
    terms = Terms(request(sites, jobs))
    assert terms.starts("quiet") == [(at(0, 8), at(0, 11))]
    # the last half hour runs the engine, inside 10 to 11, so work begins between 9:30 and 10
    assert terms.starts("run") == [(at(0, 9.5), at(0, 10))]


def test_promises_and_parts_narrow_what_is_open() -> None:
    promises = (half_day("2026-05-05", "morning", "Europe/Berlin"),)
    terms = Terms(request([site("A")], [job("A", promises=promises, parts_ready=at(1, 10))]))
    assert terms.starts("A") == [(at(1, 10), at(1, 12))]


def test_a_promise_makes_it_due_and_one_that_is_over_binds_nobody() -> None:
    """Missed last week, it may be done at any hour, and counts as due since then."""
    half = half_day("2026-05-05", "morning", "Europe/Berlin")
    ahead = Terms(request([site("A")], [job("A", due=at(40, 9), promises=(half,))]))
    assert ahead.worth.is_due("A")
    gone = half_day("2026-04-28", "morning", "Europe/Berlin")
    missed = Terms(request([site("A")], [job("A", due=None, promises=(gone,))]))
    assert missed.starts("A") == [(at(0, 0), at(7, 0) - 1)]
    assert missed.worth.late_days("A", at(0, 9)) == 6
    both = Terms(request([site("A")], [job("A", promises=(gone, half))]))
    assert both.starts("A") == [(half.start, half.end)]


def test_a_fixed_moment_that_has_passed_binds_nobody() -> None:
    pin = Pin(job="A", level="frozen", technician="T0", day=FIRST_DAY, start=at(0, 8))
    made = planned(request([site("A")], [job("A")], pins=(pin,), now=at(0, 12)))
    assert where(made, "A") is not None


def test_a_skill_ends_with_its_last_valid_day() -> None:
    person = changed(technician(), skills=(Skill("high-voltage", "2026-05-05"),))
    terms = Terms(request([site("A")], [job("A", skills=frozenset({"high-voltage"}))], [person]))
    assert [day for _, day in terms.able("A")] == ["2026-05-04", "2026-05-05"]


def test_weekly_hours_on_the_night_the_clock_changes() -> None:
    """29 March 2026 has 23 h: eight o'clock comes an hour sooner, the hours stay as long."""
    spans = weekly({d: [("08:00", "12:00")] for d in range(7)}, "2026-03-28", 3, "Europe/Berlin")
    assert [b.start - a.start for a, b in itertools.pairwise(spans)] == [
        23 * HOUR_S,
        24 * HOUR_S,
    ]
    assert all(span.end - span.start == 4 * HOUR_S for span in spans)
    terms = Terms(changed(request([site("A")], [job("A")]), first_day="2026-03-28", days=3))
    assert [terms.day_of(span.start) for span in spans] == [0, 1, 2]
    assert terms.end - terms.begin == 3 * DAY_S - HOUR_S


def test_half_days() -> None:
    assert half_of(at(1, 11.9), "Europe/Berlin") == ("2026-05-05", "morning")
    assert half_of(at(1, 12), "Europe/Berlin") == ("2026-05-05", "afternoon")
    assert half_day("2026-05-04", "afternoon", "Europe/Berlin") == Span(at(0, 12), at(0, 17))


@given(st.integers(-30, 60), st.integers(0, 7 * 24), st.floats(0, 6))
def test_windows_never_overlap_and_hold_what_work_is_worth(
    due: int, early: int, sigma: float
) -> None:
    """The engine's alternatives: within starts, apart, none worth nothing, due work never gains."""
    only = job("A", due=at(due, 20), earliest=BEGIN + early * HOUR_S, sigma_days=sigma)
    terms = Terms(request([site("A", 60)], [only]))
    windows = terms.worth.windows("A")
    assert all(a <= b and value > 0 for a, b, value in windows)
    assert all(x[1] < y[0] for x, y in itertools.pairwise(windows))
    assert all(any(a <= w[0] and w[1] <= b for a, b in terms.starts("A")) for w in windows)
    if terms.worth.is_due("A"):
        assert all(x[2] >= y[2] for x, y in itertools.pairwise(windows))


def test_the_money_is_in_whole_units_fine_enough() -> None:
    """docs/engineering/rounds.md#the-engine: 4 for a metre and 100 for a second, in
    ten-thousandths.
    """
    from scheduler.rounds.money import per_metre, per_second

    assert (per_metre(Economics()), per_second(Economics())) == (4, 100)
