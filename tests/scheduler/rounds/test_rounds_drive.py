"""The simulator and the checker, which share no code: each is held to the other and to a hand's."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from round_cases import HOUR_S, at, changed, job, kinds, planned, request, site, technician

from scheduler.rounds import (
    Estimate,
    Pin,
    PlanRequest,
    Round,
    RoundJob,
    RoundPlan,
    Skill,
    Span,
    Unplanned,
    check,
    weekly,
)
from scheduler.rounds.drive import as_round, cost, drive
from scheduler.rounds.model import PinLevel, Reason
from scheduler.rounds.network import Network
from scheduler.rounds.planning import network_of
from scheduler.rounds.value import Terms

KEY = ("T0", "2026-05-04")


def network(asked: PlanRequest) -> Network:
    return network_of(Terms(asked), Estimate(), [j.id for j in asked.jobs])


def plan_of(asked: PlanRequest, *rounds: Round) -> RoundPlan:
    inside = {name for r in rounds for name in r.jobs}
    rest = tuple(
        Unplanned(job=j.id, reason=Reason.NO_CAPACITY) for j in asked.jobs if j.id not in inside
    )
    return RoundPlan(
        first_day=asked.first_day, days=asked.days, zone=asked.zone, rounds=rounds, unplanned=rest
    )


def round_of(asked: PlanRequest, *jobs: str, lenient: bool = False) -> Round:
    seen = network(asked)
    trace = drive(seen, KEY, jobs, lenient=lenient)
    assert trace is not None
    return as_round(seen, KEY, trace)


def test_a_day_by_hand() -> None:
    """Ten kilometres out: 13 road km at 25 + 60 (1 - exp(-0.52)) = 49.33 km/h take 949 s."""
    asked = request([site("A", 10)], [job("A"), job("B", "A")])
    r = round_of(asked, "A", "B")
    (stop,) = r.stops
    way = int(network(asked).s[0, 1])
    assert way == pytest.approx(3600 * 13 / 49.33, rel=0.01)
    assert r.depart == at(0, 7)
    assert stop.arrive == at(0, 7) + way
    assert stop.starts == (stop.arrive + 600, stop.arrive + 600 + HOUR_S)
    assert r.back == stop.finish + way
    assert (r.lunch, r.work_s, r.travel_s) == (None, 2 * HOUR_S, 2 * way)
    spent = cost(network(asked), KEY, drive(network(asked), KEY, ("A", "B")))  # type: ignore[arg-type]
    assert spent == r.metres * 4 + (2 * way + 600) * 100


def test_lunch_before_the_first_work_four_hours_after_leaving() -> None:
    jobs = [job(f"J{n}", "A", duration_s=5400) for n in range(4)]
    asked = request([site("A", 10)], jobs)
    r = round_of(asked, *(f"J{n}" for n in range(4)))
    assert r.lunch is not None
    assert r.lunch.end - r.lunch.start == 1800
    assert r.lunch.start == r.stops[0].starts[2] + 5400
    assert r.stops[0].starts[3] == r.lunch.end
    assert kinds(plan_of(asked, r), asked) == []


def test_leaving_is_put_off_rather_than_waiting_at_the_gate() -> None:
    hours = weekly({0: [("10:00", "12:00")]}, "2026-05-04", 7, "Europe/Berlin")
    asked = request([site("A", 10, hours=hours)], [job("A")])
    r = round_of(asked, "A")
    assert r.stops[0].start == at(0, 10)
    assert r.wait_s <= 60
    assert r.depart > at(0, 9)


def test_the_reserve_is_kept_unless_the_call_is_urgent() -> None:
    """Seven to four less an hour: eight hours; 7.2 h of work, way and lunch do not fit, 30 min more do."""
    jobs = [job("long", "A", duration_s=26_000), job("now", "A", duration_s=26_000, urgent=True)]
    asked = request([site("A", 10)], jobs)
    assert drive(network(asked), KEY, ("long",)) is None
    r = round_of(asked, "now")
    assert at(0, 15) < r.back <= at(0, 16)
    assert kinds(plan_of(asked, r), asked) == []


def test_ferry_minutes_and_money_count_once_an_arrival_and_the_way_is_called_an_estimate() -> None:
    plain = request([site("A", 10)], [job("A")])
    sea = request([site("A", 10, extra_s=1200, extra_money=30.0, over_water=True)], [job("A")])
    a, b = round_of(plain, "A"), round_of(sea, "A")
    assert b.stops[0].start - a.stops[0].start == 1200
    costs = [cost(network(q), KEY, drive(network(q), KEY, ("A",))) for q in (plain, sea)]  # type: ignore[arg-type]
    assert costs[1] - costs[0] == 30 * 10_000 + 1200 * 100
    assert b.stops[0].estimate


def test_jobs_at_one_place_share_the_gate() -> None:
    asked = request([site("A", 10), site("B", 10.001)], [job("A"), job("A2", "A"), job("B")])
    together, apart = round_of(asked, "A", "A2"), round_of(asked, "A", "B")
    assert len(together.stops) == 1
    assert apart.back - together.back >= 600


KINDS: dict[str, Callable[[Round, PlanRequest], tuple[Round, PlanRequest]]] = {
    "leaves_early": lambda r, q: (changed(r, depart=at(0, 6)), q),
    "home_late": lambda r, q: (changed(r, back=at(0, 15.5)), q),
    "another_day": lambda r, q: (changed(r, depart=at(1, 7)), q),
    "no_shift": lambda r, q: (changed(r, day="2026-05-09"), q),
    "no_skill": lambda r, q: (
        r,
        changed(q, jobs=(changed(q.jobs[0], skills=frozenset({"x"})), *q.jobs[1:])),
    ),
    "wrong_technician": lambda r, q: (
        r,
        changed(q, jobs=(changed(q.jobs[0], only="T9"), *q.jobs[1:])),
    ),
    "needs_two": lambda r, q: (r, changed(q, jobs=(changed(q.jobs[0], people=2), *q.jobs[1:]))),
    "on_stop": lambda r, q: (r, changed(q, jobs=(changed(q.jobs[0], on_stop=True), *q.jobs[1:]))),
    "too_early": lambda r, q: (
        r,
        changed(q, jobs=(changed(q.jobs[0], earliest=at(0, 12)), *q.jobs[1:])),
    ),
    "parts": lambda r, q: (r, changed(q, jobs=(changed(q.jobs[0], parts_ready=None), *q.jobs[1:]))),
    "pointless": lambda r, q: (
        r,
        changed(q, jobs=(changed(q.jobs[0], due=at(40, 0), hard=at(0, 1)), *q.jobs[1:])),
    ),
    "shut": lambda r, q: (
        r,
        changed(q, sites=(changed(q.sites[0], hours=(Span(at(0, 1), at(0, 2)),)), *q.sites[1:])),
    ),
    "test_hours": lambda r, q: (
        r,
        changed(
            q,
            jobs=(changed(q.jobs[0], test_s=600), *q.jobs[1:]),
            sites=(changed(q.sites[0], test_hours=(Span(at(0, 1), at(0, 2)),)), *q.sites[1:]),
        ),
    ),
    "promise": lambda r, q: (
        r,
        changed(q, jobs=(changed(q.jobs[0], promises=(Span(at(2, 8), at(2, 12)),)), *q.jobs[1:])),
    ),
    "no_time": lambda r, q: (
        changed(r, stops=(changed(r.stops[0], arrive=r.depart), *r.stops[1:])),
        changed(q, sites=(changed(q.sites[0], access_s=3600), *q.sites[1:])),
    ),
    "lunch_missing": lambda r, q: (changed(r, lunch=None), q),
    "lunch_wrong": lambda r, q: (
        changed(r, lunch=Span(r.stops[0].start, r.stops[0].start + 1800)),
        q,
    ),
    "too_far": lambda r, q: (r, changed(q, radius_km=1.0)),
    "sums": lambda r, q: (changed(r, metres=r.metres - 5), q),
    "frozen_moved": lambda r, q: (
        r,
        changed(
            q, pins=(Pin(job="A", level="frozen", technician="T0", day=KEY[1], start=at(0, 13)),)
        ),
    ),
    "unknown_job": lambda r, q: (r, changed(q, jobs=q.jobs[1:])),
}


@pytest.fixture(scope="module")
def busy() -> tuple[Round, PlanRequest]:
    sites = [site("A", 10), site("B", 15, 5), site("C", 8, -6)]
    jobs = [job("A", duration_s=6000), job("B", duration_s=6000), job("C", duration_s=6000)]
    asked = request(sites, jobs)
    r = round_of(asked, "A", "B", "C")
    assert kinds(plan_of(asked, r), asked) == []
    return r, asked


@pytest.mark.parametrize("kind", KINDS)
def test_the_checker_names_what_is_planted(kind: str, busy: tuple[Round, PlanRequest]) -> None:
    r, asked = KINDS[kind](*busy)
    assert kind in kinds(plan_of(asked, r), asked)


def test_the_checker_counts_every_job_once(busy: tuple[Round, PlanRequest]) -> None:
    r, asked = busy
    good = plan_of(asked, r)
    assert "missing" in kinds(good, changed(asked, jobs=(*asked.jobs, job("D", "A"))))
    extra = (Unplanned(job="A", reason=Reason.NO_CAPACITY),)
    assert "planned_and_not" in kinds(changed(good, unplanned=extra), asked)
    assert {"twice", "two_rounds"} <= set(kinds(changed(good, rounds=(r, r)), asked))


def test_a_skill_that_ended_yesterday_is_none(busy: tuple[Round, PlanRequest]) -> None:
    r, asked = busy
    person = changed(technician(), skills=(Skill("x", "2026-05-03"),))
    asked = changed(
        asked,
        technicians=(person,),
        jobs=(changed(asked.jobs[0], skills=frozenset({"x"})), *asked.jobs[1:]),
    )
    assert kinds(plan_of(asked, r), asked) == ["no_skill"]


PLACES = st.tuples(st.floats(-60, 60), st.floats(-60, 60))
HOURS = st.sampled_from(
    [
        None,
        ("08:00", "12:00"),
        ("09:30", "10:30"),
        ("13:00", "17:00"),
        ("00:00", "24:00"),
    ]
)


@st.composite
def days(draw: st.DrawFn) -> PlanRequest:
    count = draw(st.integers(1, 7))
    sites, jobs = [], []
    for n in range(count):
        east, north = draw(PLACES)
        hours, tests = draw(HOURS), draw(HOURS)
        sites.append(
            site(
                f"S{n}",
                east,
                north,
                access_s=draw(st.sampled_from([0, 300, 900])),
                extra_s=draw(st.sampled_from([0, 0, 1200])),
                hours=None
                if hours is None
                else weekly({0: [hours]}, "2026-05-04", 7, "Europe/Berlin"),
                test_hours=None
                if tests is None
                else weekly({0: [tests]}, "2026-05-04", 7, "Europe/Berlin"),
            )
        )
        minutes = draw(st.integers(10, 300))
        jobs.append(
            job(
                f"J{n}",
                f"S{draw(st.integers(0, n))}",
                duration_s=60 * minutes,
                test_s=60 * draw(st.integers(0, min(30, minutes))),
                parts_ready=draw(st.sampled_from([0, 0, at(0, 9)])),
                urgent=draw(st.booleans()),
                reported=at(0, 6),
            )
        )
    lunch = draw(st.sampled_from([0, 1800, 2700]))
    person = technician(lunch_s=lunch, overtime_s=draw(st.sampled_from([0, 3600])))
    return request(sites, jobs, [person], radius_km=None)


@settings(max_examples=150, deadline=None)
@given(days(), st.randoms(use_true_random=False))
def test_whatever_is_driven_passes_the_checker(asked: PlanRequest, random: object) -> None:
    """Adds jobs to a day in any order while it goes; the independent checker finds nothing."""
    seen = network(asked)
    names = [j.id for j in asked.jobs]
    random.shuffle(names)  # type: ignore[attr-defined]
    jobs: tuple[str, ...] = ()
    for name in names:
        if drive(seen, KEY, (*jobs, name)) is not None:
            jobs = (*jobs, name)
    if not jobs:
        return
    trace = drive(seen, KEY, jobs)
    assert trace is not None
    r = as_round(seen, KEY, trace)
    assert [v for v in check(plan_of(asked, r), asked, Estimate()) if v.kind != "missing"] == []
    assert r.jobs == jobs
    shift = asked.technicians[0].shifts[0]
    if r.back - r.depart > 6 * HOUR_S and shift.lunch_s:
        assert r.lunch is not None


@settings(max_examples=80, deadline=None)
@given(days())
def test_what_cannot_be_driven_breaks_a_rule_when_driven_all_the_same(asked: PlanRequest) -> None:
    """Lenient days have the times they would take; the checker objects exactly when drive does."""
    seen = network(asked)
    jobs = tuple(j.id for j in asked.jobs)
    trace = drive(seen, KEY, jobs, lenient=True)
    assert trace is not None
    broken = check(plan_of(asked, as_round(seen, KEY, trace)), asked, Estimate())
    if drive(seen, KEY, jobs) is not None:
        assert broken == ()
    elif not broken:
        # the simulator may have lunch earlier than a lenient day would: never the other way round
        assert drive(seen, KEY, jobs, lunch=False) is not None


@st.composite
def weeks(draw: st.DrawFn) -> PlanRequest:
    """Two technicians, three days, every kind of condition, and arrangements that may be absurd."""
    asked = draw(days())
    people = [
        technician(f"T{n}", days=3, skills=("x",) if draw(st.booleans()) else ()) for n in range(2)
    ]
    jobs: list[RoundJob] = []
    pins: list[Pin] = []
    levels: list[PinLevel | None] = [None, None, "frozen", "told", "published", "retold"]
    for j in asked.jobs:
        start = at(draw(st.integers(0, 3)), draw(st.sampled_from([7.5, 9.0, 11.0, 14.0])))
        more: dict[str, Any] = draw(
            st.sampled_from(
                [
                    {},
                    {},
                    {"skills": frozenset({"x"})},
                    {"due": at(40, 0), "hard": at(60, 0)},
                    {"on_stop": True},
                    {"people": 2},
                    {"only": "T1"},
                    {"safety": True},
                    {"due": None},
                    {"promises": (Span(start, start + 4 * HOUR_S),)},
                    {"technician": "T0"},
                ]
            )
        )
        jobs.append(changed(j, **more))
        level = draw(st.sampled_from(levels))
        if level:
            day = f"2026-05-{4 + (start - at(0, 0)) // 86_400:02d}"
            who = draw(st.sampled_from(["T0", "T1", "gone"]))
            pins.append(Pin(job=j.id, level=level, technician=who, day=day, start=start))
    return changed(
        asked,
        jobs=tuple(jobs),
        technicians=tuple(people),
        pins=tuple(pins),
        days=4,
        now=draw(st.sampled_from([0, at(0, 9)])),
        radius_km=draw(st.sampled_from([None, 45.0])),
    )


@settings(max_examples=80, deadline=None)
@given(weeks())
def test_whatever_is_asked_every_job_is_planned_soundly_or_has_one_reason(
    asked: PlanRequest,
) -> None:
    """The whole core without the solver: the partition, the checker, and no gap that pays."""
    made = planned(asked)
    assert "search_limit" not in {u.reason.value for u in made.unplanned}
    assert all(u.detail for u in made.unplanned)
