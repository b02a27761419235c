"""Overdue work is never left behind: field case, seeded fortnights, a fortnight with too few hands."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from round_cases import (
    CORE,
    HOUR_S,
    QUICK,
    at,
    changed,
    job,
    planned,
    reason,
    request,
    site,
    technician,
    where,
)
from rounds.instances import make, plan_by_hand

from fleet.geo import distance_km
from scheduler.rounds import (
    Limits,
    Pin,
    PlanRequest,
    RoundJob,
    RoundPlan,
    RoundSite,
    Technician,
    Travel,
    pins_of,
    storm,
)
from scheduler.rounds.model import Distances
from scheduler.rounds.travel import Degrees, Estimate

# --- a checker of its own ------------------------------------------------------------------------


def road(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Seconds between two places as docs/planner.md says: 1.3 and 25 + 60 (1 - exp(-km/25)) km/h."""
    km = 1.3 * distance_km(*a, *b)
    return km / (25 + 60 * (1 - float(np.exp(-km / 25)))) * 3600


class Free(NamedTuple):
    """A technician's free time: from a place and a moment on until home by the end."""

    person: Technician
    day: str
    place: tuple[float, float]
    since: int
    until: int
    lunch_s: int


def free_time(made: RoundPlan, asked: PlanRequest) -> Iterator[Free]:
    """Days without a round, and what is left of a day after the last stop of its round."""
    places = {s.id: (s.lat or 0.0, s.lon or 0.0) for s in asked.sites}
    rounds = {(r.technician, r.day): r for r in made.rounds}
    for person in asked.technicians:
        for shift in person.shifts:
            base, until = (person.lat, person.lon), shift.end - shift.reserve_s
            r = rounds.get((person.id, shift.day))
            if r is None:
                yield Free(person, shift.day, base, shift.start, until, shift.lunch_s)
            else:
                last = r.stops[-1]
                lunch_s = 0 if r.lunch else shift.lunch_s
                since = max(last.finish, r.lunch.end if r.lunch else 0)
                yield Free(person, shift.day, places[last.site], since, until, lunch_s)


def goes(work: RoundJob, place: RoundSite, free: Free) -> bool:
    """Whether the job would go in that time: the way, the gate, lunch, hours, the way home."""
    person = free.person
    if not work.skills <= person.can(free.day) or work.only not in ("", person.id):
        return False
    there = (place.lat or 0.0, place.lon or 0.0)
    spare_s = 300
    begin = max(free.since, work.earliest, work.parts_ready or 0) + free.lunch_s
    arrive = begin + road(free.place, there) + place.access_s + spare_s
    for opens, closes in [(h.start, h.end) for h in place.hours or ()] or [(begin, free.until)]:
        done = max(opens, arrive) + work.duration_s
        home = done + road(there, (person.lat, person.lon)) + spare_s
        if done <= closes and home <= free.until and max(opens, arrive) >= free.since:
            return True
    return False


def forgotten(made: RoundPlan, asked: PlanRequest) -> list[tuple[str, str, str]]:
    """Due jobs in no round though somebody able has free time that could hold them."""
    jobs, places = {j.id: j for j in asked.jobs}, {s.id: s for s in asked.sites}
    begin = min(s.start for t in asked.technicians for s in t.shifts)
    inside = {name for r in made.rounds for name in r.jobs}
    end = begin + (asked.days - 1) * 86_400
    left = [j for j in jobs.values() if j.id not in inside and (j.urgent or (j.due or end) < end)]
    return [
        (work.id, free.person.id, free.day)
        for work in left
        for free in free_time(made, asked)
        if goes(work, places[work.site], free)
    ]


def overtaken(made: RoundPlan, asked: PlanRequest) -> list[tuple[str, str]]:
    """Of two like jobs at one site: the longer due left out, the later due taken."""
    inside = {name for r in made.rounds for name in r.jobs}
    found = []
    for a, b in itertools.permutations(asked.jobs, 2):
        alike = changed(a, id="", due=0) == changed(b, id="", due=0)
        if alike and (a.due or 0) < (b.due or 0) and a.id not in inside and b.id in inside:
            found.append((a.id, b.id))
    return found


# --- the field case ------------------------------------------------------------------------------


@pytest.mark.parametrize("limits", [QUICK, CORE], ids=["engine", "by hand"])
def test_the_later_the_earlier_it_goes_and_nothing_is_left_out(limits: Limits) -> None:
    """One technician, ten free days; 10, 60 and 300 days late at 60 km, 300 days late at the base."""
    sites = [site("N", 0, 60), site("E", 60, 0), site("W", -60, 0), site("BASE", 0, 0)]
    late = {"ten": ("N", 10), "sixty": ("E", 60), "year": ("W", 300), "home": ("BASE", 300)}
    jobs = [
        job(name, place, due=at(-days, 20), duration_s=4 * HOUR_S)
        for name, (place, days) in late.items()
    ]
    made = planned(request(sites, jobs, [technician(days=12)], days=14, limits=limits))
    days = {name: spot[1] for name in late if (spot := where(made, name)) is not None}
    assert made.unplanned == ()
    assert days["year"] < days["sixty"] < days["ten"]
    assert days["home"] <= days["sixty"]


@pytest.mark.parametrize("days_late", [0, 21, 141, 4000])
@pytest.mark.parametrize(
    ("km", "what"),
    [
        (0, {}),
        (60, {}),
        (140, {}),
        (178, {"duration_s": 1800}),
        (100, {"toll": 90.0}),
        (90, {"road": 1.9}),
        (60, {"overtime_s": 7200, "duration_s": 6 * HOUR_S}),
    ],
)
def test_a_free_day_is_spent_on_whatever_is_due(
    days_late: int, km: int, what: dict[str, float]
) -> None:
    """Any distance that fits into a day, tolls, a road twice as long as thought, overtime."""
    more: dict[str, Any] = {k: what[k] for k in ("duration_s",) if k in what}
    place = site("A", km, extra_money=what.get("toll", 0.0))
    person = technician(days=12, overtime_s=int(what.get("overtime_s", 0)))
    work = job("A", due=at(-days_late, 20), **more)
    asked = request([place], [work], [person], days=14, limits=Limits(iterations=30))
    travel: Travel = Longer(what.get("road", 1.0))
    made = planned_on(asked, travel)
    assert where(made, "A") is not None, [u.detail for u in made.unplanned]


class Longer:
    """A road so many times as long as the estimate."""

    def __init__(self, times: float) -> None:
        self.times = times

    def between(self, lat: Degrees, lon: Degrees) -> Distances:
        found = Estimate().between(lat, lon)
        return Distances(
            metres=(found.metres * self.times).astype(np.int32),
            seconds=(found.seconds * self.times).astype(np.int32),
        )


def planned_on(asked: PlanRequest, travel: Travel) -> RoundPlan:
    from scheduler.rounds import check, plan

    made = plan(asked, travel)
    assert check(made, asked, travel) == ()
    return made


@pytest.mark.parametrize("hours_old", [0, 30, 60, 24 * 5, 24 * 90])
@pytest.mark.parametrize("free_from", [0, 3, 9])
def test_a_call_for_help_is_answered_however_long_it_has_waited(
    hours_old: int, free_from: int
) -> None:
    """On the first day anybody is there, before routine work of a year ago."""
    person = technician(days=12)
    person = changed(person, shifts=person.shifts[free_from : free_from + 1])
    call = job(
        "call",
        "A",
        urgent=True,
        due=None,
        reported=at(0, 0) - hours_old * HOUR_S,
        duration_s=5 * HOUR_S,
        routine=False,
    )
    old = job("old", "B", due=at(-365, 20), duration_s=5 * HOUR_S)
    made = planned(
        request([site("A", 100), site("B", -5)], [call, old], [person], days=14, limits=QUICK)
    )
    assert where(made, "call") is not None
    assert reason(made, "old") == "no_capacity"


# --- seeded fortnights ---------------------------------------------------------------------------


def fortnight(seed: int, sites: int, people: int, free_days: int) -> PlanRequest:
    """An area where half of the work is overdue, some for a year, with like pairs at many sites."""
    area = make(sites, seed, technicians=people)
    rng = np.random.default_rng(seed)
    begin = area.technicians[0].shifts[0].start
    jobs = []
    for one in area.jobs:
        late = int(rng.choice([-30, -12, -5, 1, 15, 30, 90, 380]))
        twin = begin - late * 86_400
        jobs.append(changed(one, due=twin, earliest=0, sigma_days=0.0))
        if rng.random() < 0.5:
            jobs.append(
                changed(
                    one,
                    id=f"{one.id}-twin",
                    due=twin + int(rng.integers(1, 40)) * 86_400,
                    earliest=0,
                    sigma_days=0.0,
                )
            )
    technicians = tuple(changed(t, shifts=t.shifts[:free_days]) for t in area.technicians)
    return changed(area, jobs=tuple(jobs), technicians=technicians)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 24), st.integers(1, 3), st.integers(1, 10))
def test_no_due_job_is_left_out_while_somebody_able_has_a_free_day_for_it(
    seed: int, sites: int, people: int, free_days: int
) -> None:
    asked = fortnight(seed, sites, people, free_days)
    made = planned(changed(asked, limits=Limits(iterations=60, seed=seed)))
    assert forgotten(made, asked) == []
    assert overtaken(made, asked) == []
    assert "search_limit" not in {u.reason.value for u in made.unplanned}


@pytest.mark.parametrize("seed", range(6))
def test_the_engines_fortnights_forget_and_overtake_nobody(seed: int) -> None:
    asked = fortnight(seed, 8 + 5 * seed, 1 + seed % 2, 3 + seed)
    made = planned(changed(asked, limits=Limits(iterations=150, seed=seed)))
    assert forgotten(made, asked) == []
    assert overtaken(made, asked) == []


def test_the_checker_sees_what_is_forgotten_and_overtaken() -> None:
    """The two questions above can be answered with yes."""
    jobs = [job("older", "A", due=at(-9, 20)), job("newer", "A", due=at(-1, 20))]
    asked = request([site("A", 30)], jobs, days=7)
    made = planned(asked)
    none = changed(made, rounds=())
    assert {name for name, _, _ in forgotten(none, asked)} == {"older", "newer"}
    (r,) = made.rounds
    (stop,) = r.stops
    only = changed(stop, jobs=("newer",), starts=stop.starts[:1])
    assert overtaken(changed(made, rounds=(changed(r, stops=(only,)),)), asked) == [
        ("older", "newer")
    ]


# --- too few hands -------------------------------------------------------------------------------


def firm(days: int, people: int = 1, limits: Limits = QUICK) -> PlanRequest:
    """43 sets, 31 of them due: most overdue by weeks to months, a life site by 141 days, 12 ahead."""
    rng = np.random.default_rng(31)
    sites = [site(f"S{n}", *rng.uniform(-45, 45, 2).tolist()) for n in range(43)]
    jobs = [
        job(
            f"J{n}",
            f"S{n}",
            duration_s=int(rng.choice([2700, 3600, 5400])),
            due=at(int(5 - n * 5), 20) if n < 31 else at(20 + n, 20),
        )
        for n in range(43)
    ]
    jobs[29] = changed(jobs[29], id="life", due=at(-141, 20), safety=True)
    staff = [technician(f"T{n}", days=days) for n in range(people)]
    return request(sites, jobs, staff, days=14, limits=limits)


def left_due(made: RoundPlan) -> list[str]:
    return [
        u.job
        for u in made.unplanned
        if u.reason.value in ("not_worth_it", "no_capacity", "search_limit")
    ]


def test_with_two_rounds_only_they_are_full_and_life_goes_first() -> None:
    asked = firm(2)
    made = planned(asked)
    spot = where(made, "life")
    assert spot is not None
    assert spot[1] == asked.first_day
    assert made.metrics.safety_open == 0
    assert len(made.rounds) == 2
    assert forgotten(made, asked) == []
    due = {j.id for j in asked.jobs if (j.due or 0) < at(14, 0)}
    assert {u.reason.value for u in made.unplanned if u.job in due} == {"no_capacity"}
    assert made.metrics.pulled_forward == 0, "nothing that can wait sits where due work would fit"


def test_with_a_free_fortnight_all_thirty_one_are_done() -> None:
    made = planned(firm(12))
    assert made.metrics.due == 31
    assert made.metrics.due_done == 31


def test_waiting_longer_never_loses_a_job_its_place() -> None:
    """Night after night nobody goes: what was planned first stays planned, older than ever."""
    asked = request([site("A", 90)], [job("A", due=at(-1, 20))], [technician(days=12)], days=14)
    worths = []
    for nights in range(0, 120, 7):
        older = changed(asked, jobs=(changed(asked.jobs[0], due=at(-1 - nights, 20)),))
        made = planned(older)
        assert where(made, "A") is not None
        worths.append(made.metrics.value)
    assert worths == sorted(worths)
    assert worths[-1] > worths[0]


# --- arrangements, storms, hand ------------------------------------------------------------------


def test_work_that_waited_out_a_storm_is_as_late_as_before() -> None:
    """Two like jobs at one site, room for one after the storm: the longer due."""
    jobs = [
        job("newer", "A", due=at(-1, 20), duration_s=6 * HOUR_S),
        job("older", "A", due=at(-90, 20), duration_s=6 * HOUR_S),
    ]
    asked = storm(
        request([site("A", 20)], jobs, [technician(days=5)], days=7, limits=QUICK),
        "2026-05-04",
        "2026-05-07",
    )
    made = planned(asked)
    assert where(made, "older") is not None
    assert reason(made, "newer") == "no_capacity"


def test_of_two_like_jobs_by_hand_the_longer_due_goes_first_too() -> None:
    jobs = [
        job("a-newer", "A", due=at(-1, 20), duration_s=3 * HOUR_S),
        job("b-older", "A", due=at(-90, 20), duration_s=3 * HOUR_S),
        job("first", "B", due=at(-200, 20), duration_s=3 * HOUR_S),
    ]
    asked = request([site("A", 5), site("B", -5)], jobs, [technician(days=1)], days=1)
    made = plan_by_hand(asked)
    assert [name for r in made.rounds for name in r.jobs] == ["first", "b-older"]


def test_a_told_half_day_outweighs_the_day_or_two_it_costs() -> None:
    """What has waited long still keeps the half-day its customer was told, on a day soon."""
    pin = Pin(job="A", level="told", technician="T0", day="2026-05-05", start=at(1, 9))
    asked = request([site("A", 20)], [job("A", due=at(-90, 20))], days=7, limits=QUICK, pins=(pin,))
    spot = where(planned(asked), "A")
    assert spot is not None
    assert spot[1] == "2026-05-05"


def test_the_weeks_after_take_what_has_waited_first() -> None:
    """Too little room this week: the oldest is said to come first, whatever its name."""
    jobs = [job(f"J{n}", "A", due=at(-n, 20), duration_s=6 * HOUR_S) for n in range(8)]
    person = technician(days=12)
    later = [s for s in person.shifts if s.day >= "2026-05-11"][:2]
    person = changed(person, shifts=(*person.shifts[:1], *later))
    made = planned(request([site("A", 5)], jobs, [person], days=7))
    (week,) = made.load
    assert where(made, "J7") is not None
    assert set(week.jobs) == {"J6", "J5"}


@pytest.mark.parametrize("limits", [Limits(iterations=30), CORE], ids=["engine", "by hand"])
def test_life_is_not_left_out_for_routine_work_that_is_nearer_and_longer_due(
    limits: Limits,
) -> None:
    """One day: two routine jobs of last year beside the base fill it, life work is out of the way."""
    jobs = [
        job(f"old-{n}", f"S{n}", due=at(-300, 20), duration_s=int(3.4 * HOUR_S)) for n in range(2)
    ]
    life = job("life", "FAR", due=at(-1, 20), duration_s=4 * HOUR_S, safety=True)
    sites = [site("S0", 3), site("S1", -3), site("FAR", 70)]
    made = planned(request(sites, [*jobs, life], [technician(days=1)], days=1, limits=limits))
    assert where(made, "life") is not None
    assert {reason(made, name) for name in ("old-0", "old-1")} == {"no_capacity"}


@pytest.mark.parametrize("limits", [Limits(iterations=30), CORE], ids=["engine", "by hand"])
def test_a_call_is_put_into_a_full_fortnight_and_few_of_the_told_give_way(limits: Limits) -> None:
    """Every day is full of work whose customers were told; planning again, the call goes today."""
    jobs = [
        job(f"J{n}", f"S{n}", due=at(n // 2 - 3, 20), duration_s=int(3.2 * HOUR_S))
        for n in range(20)
    ]
    sites = [site(f"S{n}", 8, n - 10) for n in range(20)]
    asked = request([*sites, site("C", 12)], jobs, [technician(days=12)], days=14, limits=limits)
    made = planned(asked)
    assert made.unplanned == ()
    call = job("call", "C", urgent=True, due=None, reported=at(-3, 6), duration_s=2 * HOUR_S)
    told = changed(asked, jobs=(*jobs, call), pins=pins_of(made, "told"), previous=made)
    again = planned(told)
    spot = where(again, "call")
    assert spot is not None
    assert spot[1] == asked.first_day
    assert len(again.changes.disturbed) <= 5, "of twenty"
