"""A plan in force meets the day: urgent calls, hands, mid-day, a storm week."""

from __future__ import annotations

import pytest
from round_answers import diff, told_anew
from round_cases import (
    FIRST_DAY,
    HOUR_S,
    ZONE,
    at,
    changed,
    job,
    kinds,
    planned,
    reason,
    request,
    site,
    technician,
    where,
)

from fleet.calendar import days_from
from scheduler.rounds import (
    Estimate,
    Limits,
    Pin,
    Place,
    PlanRequest,
    RequestFault,
    RoundPlan,
    before_storm,
    check,
    half_of,
    insert,
    move,
    pins_of,
    re_offer,
    remainder,
    remove,
    storm,
)

pytest_plugins = ["round_area"]


@pytest.fixture(scope="module")
def told(area: PlanRequest, made: RoundPlan) -> PlanRequest:
    return changed(area, pins=pins_of(made, "told"), previous=made)


def moment(asked: PlanRequest, day: int, hour: float) -> int:
    """An hour of a working day of the area, from the seven o'clock of its shifts."""
    return asked.technicians[0].shifts[day].start + round((hour - 7) * HOUR_S)


def failed_start(asked: PlanRequest, place: str, now: int):  # type: ignore[no-untyped-def]
    return job(
        "no-cover",
        place,
        duration_s=5400,
        due=now + 8 * HOUR_S,
        earliest=now,
        reported=now,
        urgent=True,
        routine=False,
    )


def test_an_urgent_call_goes_into_today_without_a_solver(
    made: RoundPlan, told: PlanRequest
) -> None:
    """Two proposals at once: fewest disturbed, and there soonest; the day's reserve may be used."""
    now = moment(told, 2, 10.5)
    urgent = failed_start(told, told.sites[7].id, now)
    proposals = insert(made, told, urgent, now)
    assert 1 <= len(proposals) <= 2
    least = proposals[0]
    rest = remainder(told, made, now)
    asked = changed(rest, jobs=(*rest.jobs, urgent))
    for proposal in proposals:
        assert kinds(proposal.plan, asked) == []
        assert where(proposal.plan, "no-cover") is not None
        assert proposal.arrive >= now
    assert least.day == told.technicians[0].shifts[2].day, "today, not tomorrow at half past seven"
    assert len(least.changes.disturbed) <= 1
    assert all(
        len(least.changes.disturbed) <= len(p.changes.disturbed)
        for p in proposals
        if p.day == least.day
    )
    assert min(p.arrive for p in proposals) == proposals[-1].arrive or proposals[-1].kind == "other"


def test_who_gives_way_goes_elsewhere_or_waits_with_a_reason() -> None:
    """A day without a minute left: something gives way for the call, and nothing is lost."""
    jobs = [job(f"J{n}", "A", duration_s=2 * HOUR_S, due=at(0, 20)) for n in range(3)]
    asked = request([site("A", 20), site("B", 22)], jobs, [technician("T0", days=1)], days=1)
    made = planned(asked)
    assert len(made.rounds[0].jobs) == 3
    urgent = job("no-cover", "B", duration_s=3 * HOUR_S, urgent=True, reported=at(0, 7))
    (only,) = insert(made, asked, urgent)
    assert where(only.plan, "no-cover") is not None
    assert len(only.changes.of("dropped")) == len(only.plan.unplanned) == 1
    assert only.plan.unplanned[0].reason.value == "no_capacity"
    assert only.price > 300
    assert kinds(only.plan, changed(asked, jobs=(*asked.jobs, urgent))) == []


def test_a_full_today_gives_way_before_the_call_waits_for_another_day() -> None:
    """Both days known: today full, tomorrow empty. The call is answered today; waiting is offered."""
    jobs = [job(f"J{n}", "A", duration_s=2 * HOUR_S, due=at(0, 20)) for n in range(3)]
    asked = request([site("A", 20), site("B", 22)], jobs, [technician("T0", days=2)], days=2)
    made = planned(asked)
    assert len(made.rounds) == 1
    told = changed(asked, pins=pins_of(made, "told"), previous=made)
    urgent = job("no-cover", "B", duration_s=3 * HOUR_S, urgent=True, reported=at(0, 7))
    today, waits = insert(made, told, urgent)
    assert (today.kind, today.day) == ("least", "2026-05-04")
    assert (waits.kind, waits.day) == ("other", "2026-05-05")
    (gave_way,) = today.changes.disturbed
    assert gave_way.kind == "moved_day", "who gave way goes elsewhere"
    assert waits.changes.disturbed == ()


def test_a_frozen_job_never_gives_way() -> None:
    jobs = [job(f"J{n}", "A", duration_s=2 * HOUR_S, due=at(0, 20)) for n in range(3)]
    asked = request([site("A", 20), site("B", 22)], jobs, [technician("T0", days=1)], days=1)
    made = planned(asked)
    fixed = changed(asked, pins=pins_of(made, "frozen"))
    urgent = job("no-cover", "B", duration_s=3 * HOUR_S, urgent=True, reported=at(0, 7))
    assert insert(made, fixed, urgent) == ()


def test_the_rest_of_a_day_begins_where_the_technician_is(
    made: RoundPlan, told: PlanRequest
) -> None:
    now = moment(told, 1, 11)
    rest = remainder(told, made, now)
    begun = {
        name
        for r in made.rounds
        for s in r.stops
        for name, start in zip(s.jobs, s.starts, strict=True)
        if start <= now
    }
    assert begun
    assert begun.isdisjoint(j.id for j in rest.jobs)
    assert rest.previous is not None
    left = {name for r in rest.previous.rounds for name in r.jobs}
    assert left | begun == {name for r in made.rounds for name in r.jobs}
    today = made.rounds[[r.day for r in made.rounds].index(told.technicians[0].shifts[1].day)]
    shift = next(
        s
        for t in rest.technicians
        if t.id == today.technician
        for s in t.shifts
        if s.day == today.day
    )
    assert shift.start >= now
    assert shift.start_site in {s.site for s in today.stops}
    again = planned(rest)
    assert len(again.changes.of("dropped")) == 0


def test_the_difference_says_what_moved_and_what_it_costs(area: PlanRequest) -> None:
    sites = [site("A", 5), site("B", 7)]
    asked = request(
        sites, [job("A", due=at(0, 20)), job("B")], [technician("T0"), technician("T1")]
    )
    old = planned(asked)
    r = old.rounds[0]
    assert set(r.jobs) == {"A", "B"}
    later = changed(
        r,
        day="2026-05-06",
        stops=tuple(changed(s, starts=tuple(a + 2 * 86_400 for a in s.starts)) for s in r.stops),
    )
    moved = diff(old, changed(old, rounds=(later,)), asked)
    assert {c.job: c.kind for c in moved.changes} == {"A": "moved_day", "B": "moved_day"}
    assert {c.job: c.price for c in moved.changes} == {"A": 40.0, "B": 0.0}
    other = diff(old, changed(old, rounds=(changed(r, technician="T1"),)), asked)
    assert {c.kind for c in other.changes} == {"moved_technician"}
    gone = diff(old, changed(old, rounds=()), changed(asked, jobs=asked.jobs[1:]))
    assert {c.job: c.why for c in gone.changes} == {"A": "job_gone", "B": "made_room"}
    assert diff(old, old).changes == ()
    assert diff(old, old).kept == 2
    assert {c.kind for c in diff(changed(old, rounds=()), old).changes} == {"added"}


def test_an_hour_inside_the_day_is_no_change_and_more_is_one() -> None:
    asked = request([site("A")], [job("A")])
    old = planned(asked)
    (r,) = old.rounds
    for shift_s, kinds_found in ((3600, []), (3601, ["moved_hour"])):
        stops = tuple(changed(s, starts=tuple(a + shift_s for a in s.starts)) for s in r.stops)
        new = changed(old, rounds=(changed(r, stops=stops),))
        assert [c.kind for c in diff(old, new).changes] == kinds_found


def test_moved_by_hand_the_verdict_comes_at_once() -> None:
    skilled = technician("T1", skills=("x",))
    sites = [site("A", 5), site("B", 7)]
    asked = request(
        sites, [job("A", skills=frozenset({"x"})), job("B")], [technician("T0"), skilled]
    )
    old = planned(asked)
    fine = move(old, asked, "B", Place("T1", "2026-05-07"))
    assert fine.violations == ()
    spot = where(fine.plan, "B")
    assert spot is not None
    assert spot[:2] == ("T1", "2026-05-07")
    assert [c.kind for c in fine.changes.changes if c.job == "B"] == ["moved_day"]
    wrong = move(old, asked, "A", Place("T0", "2026-05-06"))
    assert [v.kind for v in wrong.violations] == ["no_skill"]
    assert where(wrong.plan, "A") is not None, "it is done all the same, and named"
    with pytest.raises(RequestFault, match="no shift"):
        move(old, asked, "A", Place("T0", "2026-05-09"))
    with pytest.raises(RequestFault, match="no job"):
        move(old, asked, "Z", Place("T0", "2026-05-06"))


def test_too_much_for_a_day_is_said_with_the_minutes() -> None:
    jobs = [job(f"J{n}", "A", duration_s=2 * HOUR_S, due=at(0, 20)) for n in range(4)]
    asked = request([site("A", 20)], jobs, [technician("T0", days=2)], days=2)
    old = planned(asked)
    spot = where(old, "J3")
    assert spot is not None
    full = next(r for r in old.rounds if len(r.jobs) == 3)
    rest = next(name for name in ("J0", "J1", "J2", "J3") if name not in full.jobs)
    verdict = move(old, asked, rest, Place("T0", full.day, 0))
    assert [v.kind for v in verdict.violations] == ["home_late"]
    assert "min too late" in verdict.violations[0].detail
    assert where(verdict.plan, rest)[2] == verdict.plan.rounds[0].stops[0].start  # type: ignore[index]


def test_taken_out_by_hand_it_waits_with_a_reason(made: RoundPlan, area: PlanRequest) -> None:
    name = made.rounds[0].jobs[0]
    verdict = remove(made, area, name)
    assert verdict.violations == ()
    assert where(verdict.plan, name) is None
    assert reason(verdict.plan, name) == "not_worth_it"
    assert [c.job for c in verdict.changes.of("dropped")] == [name]
    back = move(verdict.plan, area, name, Place(made.rounds[0].technician, made.rounds[0].day))
    assert back.violations == ()
    assert {r.day: set(r.jobs) for r in back.plan.rounds if r.technician == "T0"} == {
        r.day: set(r.jobs) for r in made.rounds if r.technician == "T0"
    }


def week() -> PlanRequest:
    """Three technicians, two weeks; a full first week of routine, some safety work in it."""
    sites = [site(f"S{n}", 4 + (n * 7) % 40, (n * 5) % 30 - 15) for n in range(40)]
    jobs = [
        job(
            f"J{n}",
            f"S{n}",
            duration_s=(1 + n % 2) * HOUR_S,
            due=at(3 + n % 9, 20),
            safety=n % 9 == 0,
            routine=n % 9 != 0,
        )
        for n in range(40)
    ]
    people = [technician(f"T{n}", days=12) for n in range(3)]
    return request(sites, jobs, people, days=14, limits=Limits(iterations=400))


def without(asked: PlanRequest, days: set[str]) -> PlanRequest:
    """Nobody drives on those days."""
    people = tuple(
        changed(t, shifts=tuple(s for s in t.shifts if s.day not in days))
        for t in asked.technicians
    )
    return changed(asked, technicians=people)


def test_a_storm_tears_up_two_days_of_five_and_nobody_is_told_twice_or_lost() -> None:
    asked = week()
    before = planned(asked)
    told = changed(asked, pins=pins_of(before, "told"), previous=before)
    gone = set(days_from("2026-05-06", 2))
    torn = [p for p in told.pins if p.day in gone]
    assert len(torn) >= 8

    shut = storm(without(told, gone), "2026-05-06", "2026-05-07")
    after = planned(shut)
    offers = re_offer(told, before, after)
    assert [o.n for o in offers] == list(range(1, len(offers) + 1))
    assert len({o.job for o in offers}) == len(offers), "each is called once"
    kept = {
        p.job
        for p in told.pins
        if (w := where(after, p.job)) and half_of(w[2], ZONE) == half_of(p.start, ZONE)
    }
    assert {o.job for o in offers} == {p.job for p in told.pins} - kept
    assert {p.job for p in torn} <= {o.job for o in offers}, "who was torn up is called"
    for offer in offers:
        spot = where(after, offer.job)
        assert (spot is None) == (offer.new_day == "")
        if spot is not None:
            assert (offer.new_day, offer.new_half) == half_of(spot[2], ZONE)
            assert offer.new_day not in gone
        else:
            assert reason(after, offer.job), "nobody is lost: it waits with a reason"
    safety = [told.jobs[[j.id for j in told.jobs].index(o.job)].safety for o in offers]
    assert safety == sorted(safety, reverse=True), "life first"

    again = told_anew(changed(without(told, gone), jobs=shut.jobs), after, offers)
    news = [
        job(f"U{n}", f"S{3 * n}", duration_s=2 * HOUR_S, due=at(8, 20), safety=True, routine=False)
        for n in range(4)
    ]
    upset = changed(again, jobs=(*again.jobs, *news))
    third = planned(upset)
    second_calls = {o.job for o in re_offer(upset, after, third)}
    called = {o.job for o in offers if o.new_day}
    assert second_calls.isdisjoint(called), "nobody is told twice"
    assert all(where(third, n.id) for n in news)


def test_in_a_storm_routine_waits_and_what_keeps_lives_goes_first() -> None:
    asked = week()
    before = planned(asked)
    told = changed(asked, pins=pins_of(before, "told"), previous=before)
    first = before_storm(told, before, "2026-05-06")
    by_id = {j.id: j for j in told.jobs}
    done = {name for r in before.rounds if r.day < "2026-05-06" for name in r.jobs}
    assert set(first) == {j.id for j in told.jobs if not j.routine} - done
    assert all(by_id[name].safety for name in first)
    after = planned(storm(told, "2026-05-06", "2026-05-07"))
    in_storm = {
        name for r in after.rounds if "2026-05-06" <= r.day <= "2026-05-07" for name in r.jobs
    }
    assert in_storm <= {j.id for j in told.jobs if not j.routine}
    early = storm(request([site("A")], [job("A")]), FIRST_DAY, "2026-05-10")
    assert reason(planned(early), "A") == "not_yet_useful"


def test_the_same_half_day_with_somebody_else_needs_no_call() -> None:
    asked = request([site("A")], [job("A")], [technician("T0"), technician("T1")])
    old = planned(asked)
    name, day, start = where(old, "A")  # type: ignore[misc]
    other = "T1" if name == "T0" else "T0"
    pin = Pin(job="A", level="told", technician=name, day=day, start=start)
    new = changed(old, rounds=tuple(changed(r, technician=other) for r in old.rounds))
    assert re_offer(changed(asked, pins=(pin,)), old, new) == ()
    assert check(new, asked, Estimate()) == ()
