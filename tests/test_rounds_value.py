"""What work is worth and when it may begin: money by hand, hours, promises, summer time."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from round_cases import BEGIN, DAY_S, HOUR_S, at, changed, job, request, site, technician

from scheduler.rounds import Economics, Pin, Skill, Span, half_day, half_of, weekly
from scheduler.rounds.money import UNIT
from scheduler.rounds.terms import Terms


def worth(asked: object, name: str, moment: int) -> float:
    return Terms(asked).worth.at(name, moment) / UNIT  # type: ignore[arg-type]


def test_due_work_loses_twenty_for_each_day_late_and_life_counts_two_and_a_half() -> None:
    jobs = [job("A", due=at(1, 12)), job("L", "A", due=at(1, 12), safety=True)]
    asked = request([site("A")], jobs)
    assert [worth(asked, "A", at(day, 9)) for day in range(5)] == [400, 400, 380, 360, 340]
    assert worth(asked, "L", at(3, 9)) == 2.5 * 360
    long_late = request([site("A")], [job("A", due=at(-60, 12))])
    assert worth(long_late, "A", at(0, 9)) == 5


def test_a_forecast_date_is_brought_in_by_its_uncertainty_not_before_a_day_after_earliest() -> None:
    asked = request([site("A")], [job("A", due=at(6, 0), sigma_days=2.0)])
    assert Terms(asked).worth.due_at("A") == at(4, 0)
    asked = request([site("A")], [job("A", due=at(6, 0), sigma_days=9.0, earliest=at(0, 0))])
    assert Terms(asked).worth.due_at("A") == at(1, 0)


def test_pulling_forward_is_worth_the_trip_saved_less_the_running_time_thrown_away() -> None:
    """250 over 182 days is 1.37 a day (ROUNDS 3); each day earlier costs so much more."""
    asked = request([site("A", 40)], [job("A", due=at(30, 0))])
    near, far = worth(asked, "A", at(4, 8)), worth(asked, "A", at(1, 8))
    assert near - far == pytest.approx(3 * 250 / 182, abs=1e-3)
    terms = Terms(asked)
    saved = terms.later["A"] / UNIT
    assert near == pytest.approx(saved - (30 - 4 - 8 / 24) * 250 / 182, abs=1e-3)
    # there and back over four stops: 2 x 40 km x 1.3 / 4 = 26 km at 0.40 and a minute each at 36/h
    assert saved == pytest.approx(26 * (0.40 + 0.60), rel=0.01)


def test_an_urgent_call_loses_by_the_hour() -> None:
    asked = request([site("A")], [job("A", urgent=True, reported=at(0, 8))])
    assert [worth(asked, "A", at(0, 8 + h)) for h in (0, 1, 5)] == [1500, 1470, 1350]


def test_who_was_there_last_and_what_was_arranged_are_worth_something() -> None:
    pin = Pin(job="A", level="told", technician="T0", day="2026-05-05", start=at(1, 9))
    asked = request([site("A")], [job("A", technician="T0")], pins=(pin,))
    judge = Terms(asked).worth
    assert judge.with_technician("A", "T0", at(1, 9)) == 410 * UNIT
    kept = [judge.standing("A", who, when) // UNIT for who, when in (
        ("T0", at(1, 11)), ("T0", at(1, 13)), ("T1", at(1, 9)), ("T1", at(2, 9)),
    )]  # fmt: skip
    assert kept == [410 + 120, 410 + 60, 400 + 60, 400]


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


def test_a_skill_ends_with_its_last_valid_day() -> None:
    person = changed(technician(), skills=(Skill("high-voltage", "2026-05-05"),))
    terms = Terms(request([site("A")], [job("A", skills=frozenset({"high-voltage"}))], [person]))
    assert [day for _, day in terms.able("A")] == ["2026-05-04", "2026-05-05"]


def test_weekly_hours_on_the_night_the_clock_changes() -> None:
    """29 March 2026 has 23 h: eight o'clock comes an hour sooner, the hours stay as long."""
    spans = weekly({d: [("08:00", "12:00")] for d in range(7)}, "2026-03-28", 3, "Europe/Berlin")
    assert [b.start - a.start for a, b in itertools.pairwise(spans)] == [
        23 * HOUR_S, 24 * HOUR_S,
    ]  # fmt: skip
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
    """ROUNDS 2: 4 for a metre and 100 for a second, in ten-thousandths."""
    from scheduler.rounds.money import per_metre, per_second

    assert (per_metre(Economics()), per_second(Economics())) == (4, 100)
