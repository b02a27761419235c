"""A day half done: what is finished, under way or gone is as it was recorded when rounds are planned anew."""

from __future__ import annotations

from typing import Any

import pytest
from dispatching import BY, Office, in_force
from msgspec.structs import replace
from round_cases import HOUR_S, at, changed, job, kinds, planned, request, site, technician, where
from seeding import NOW, unit_id

from fleet.model import EVERYTHING, Job
from fleet.model.jobs import StepKind
from fleet.registry import lists
from fleet.registry.office import kept_jobs
from fleet.registry.office.kept_rounds import Ask
from hourhand import rounds_plan
from hourhand.command_line import main as front_door
from scheduler import dispatch, publishing, work_orders
from scheduler.rounds import PlanRequest, Round, RoundPlan, Seen, insert, pins_of, remainder
from scheduler.turns import planning

pytest_plugins = ["dispatching"]


# --- the core ------------------------------------------------------------------------------------


def half_day_done() -> tuple[PlanRequest, RoundPlan]:
    """One technician, four sites one after the other on the first day, told to the customers."""
    sites = [site(name, 6 + 3 * n) for n, name in enumerate("ABCD")]
    asked = request(sites, [job(name, due=at(0, 20)) for name in "ABCD"], [technician(days=3)])
    made = planned(asked)
    assert [name for r in made.rounds for name in r.jobs] == ["A", "B", "C", "D"]
    return changed(asked, previous=made, pins=pins_of(made, "told")), made


def call(place: str = "D", **more: object) -> object:
    return job("call", place, urgent=True, due=None, reported=at(0, 9), routine=False, **more)


def still(asked: PlanRequest, *gone: str) -> PlanRequest:
    """The request as the book has it once those jobs are no longer open."""
    return changed(asked, jobs=tuple(j for j in asked.jobs if j.id not in gone))


def test_what_is_finished_early_is_not_disturbed_and_people_are_where_it_was() -> None:
    """C was finished out of turn, before its planned hour; A and B before it: D is left."""
    asked, made = half_day_done()
    now = at(0, 9.5)
    start = where(made, "C")[2]  # type: ignore[index]
    assert start > now
    known = {name: Seen(state="done", at=at(0, 8 + n / 2)) for n, name in enumerate("ABC")}
    rest = remainder(still(asked, "A", "B", "C"), made, now, known)
    assert {j.id for j in rest.jobs} == {"D"}
    shift = rest.technicians[0].shifts[0]
    assert (shift.start, shift.start_site) == (now, "C")
    ways = insert(made, replace(still(asked, "A", "B", "C"), recorded=known), call("C"), now)  # type: ignore[arg-type]
    assert ways
    for way in ways:
        assert way.changes.disturbed == ()
        assert {c.job for c in way.changes.changes} <= {"call", "D"}
        assert way.price < 60, "nobody gives way and the van is there"
    assert ways[0].arrive == now, "at the site already"
    checked = changed(rest, jobs=(*rest.jobs, call("C")))
    assert kinds(ways[0].plan, checked) == []


def test_work_at_hand_takes_its_time_whenever_it_was_begun() -> None:
    """B was begun an hour late: nobody is anywhere else before it is done."""
    asked, made = half_day_done()
    now = at(0, 11)
    known = {
        "A": Seen(state="done", at=at(0, 10)),
        "B": Seen(state="under_way", at=at(0, 10.5), duration_s=HOUR_S),
    }
    rest = remainder(still(asked, "A", "B"), made, now, known)
    shift = rest.technicians[0].shifts[0]
    assert (shift.start, shift.start_site) == (at(0, 11.5), "B")
    assert {j.id for j in rest.jobs} == {"C", "D"} - {n for n in "CD" if where(made, n)[2] <= now}  # type: ignore[index]
    ways = insert(made, replace(still(asked, "A", "B"), recorded=known), call("B"), now)  # type: ignore[arg-type]
    assert min(way.arrive for way in ways) >= at(0, 11.5)
    overrun = known | {"B": Seen(state="under_way", at=at(0, 7.5), duration_s=HOUR_S)}
    late = remainder(still(asked, "A", "B"), made, now, overrun)
    assert late.technicians[0].shifts[0].start == now


def test_nobody_went_for_what_was_cancelled() -> None:
    """B was dropped at eight: nobody is there, and it is neither driven to nor missed."""
    asked, made = half_day_done()
    now = where(made, "B")[2] + 60  # type: ignore[index]
    known = {"A": Seen(state="done", at=now - 3000), "B": Seen(state="gone")}
    rest = remainder(still(asked, "A", "B"), made, now, known)
    assert rest.technicians[0].shifts[0].start_site == "A"
    for way in insert(made, replace(still(asked, "A", "B"), recorded=known), call(), now):  # type: ignore[arg-type]
        assert way.changes.disturbed == ()
        assert "B" not in {c.job for c in way.changes.changes}


def test_what_was_passed_over_or_left_undone_is_open_work_again() -> None:
    """B was passed over on the way to C; yesterday's work that nobody did is planned like any other."""
    asked, made = half_day_done()
    now = where(made, "C")[2] + HOUR_S  # type: ignore[index]
    known = {
        "A": Seen(state="done", at=now - 2 * HOUR_S),
        "C": Seen(state="done", at=now - 60),
    }
    rest = remainder(still(asked, "A", "C"), made, now, known)
    assert "B" in {j.id for j in rest.jobs}
    assert rest.previous is not None
    assert "B" not in {name for r in rest.previous.rounds for name in r.jobs}
    tomorrow = at(1, 9)
    again = remainder(asked, made, tomorrow, {})
    assert {j.id for j in again.jobs} == set("ABCD")
    assert again.technicians == asked.technicians, "yesterday's last site is nobody's place today"
    assert where(planned(again), "A") is not None


def test_part_done_work_may_be_planned_again_and_the_van_is_there() -> None:
    asked, made = half_day_done()
    now = where(made, "A")[2] + 1800  # type: ignore[index]
    known = {"A": Seen(state="part_done", at=now - 60)}
    rest = remainder(asked, made, now, known)
    assert {j.id for j in rest.jobs} >= {"A", "C", "D"}
    assert rest.technicians[0].shifts[0].start_site == "A"


def test_whoever_has_driven_home_is_at_home() -> None:
    asked, made = half_day_done()
    (r,) = made.rounds
    finish = r.stops[-1].finish
    known = {name: Seen(state="done", at=finish - 60) for name in "ABCD"}
    home = remainder(still(asked, *"ABCD"), made, r.back + 60, known)
    assert home.technicians[0].shifts[0].start_site == ""
    out = remainder(still(asked, *"ABCD"), made, finish + 60, known)
    assert out.technicians[0].shifts[0].start_site == "D"


# --- the office ----------------------------------------------------------------------------------


def told(office: Office) -> RoundPlan:
    return dispatch.decode(in_force(office))


def today(office: Office) -> Round:
    """The round of today with most stops."""
    return max(
        (r for r in told(office).rounds if r.day == "2026-11-25"), key=lambda r: len(r.stops)
    )


def step(office: Office, id: str, *kinds: StepKind, at: int) -> None:
    registry = office.fleet.registry
    for kind in kinds:
        one = kept_jobs.job(registry, EVERYTHING, id)
        assert one is not None
        after = work_orders.advance(
            one, kind, at, "Ana", "No longer wanted" if kind == "drop" else ""
        )
        kept_jobs.add_steps(registry, [after], BY)


def take(office: Office, unit: str, id: str, **more: Any) -> Job:
    row = lists.unit(office.fleet.registry, EVERYTHING, unit)
    assert row is not None
    fields: dict[str, Any] = {
        "id": id,
        "title": f"Job {id}",
        "unit": unit,
        "site": row.site.id,
        "customer": row.customer.id,
        "due_on": "2026-11-25",
    }
    made = Job(**(fields | more))
    kept_jobs.add_jobs(office.fleet.registry, [work_orders.opened(made, NOW, "Dee")])
    return made


@pytest.fixture
def busy(office: Office) -> Office:
    """A day with several stops for each technician, published."""
    for n in (0, 2, 4, 5, 7, 8):
        take(office, unit_id(n), f"more-{n}")
    made = planning.plan_rounds(office.fleet.registry, NOW, Ask(iterations=60), "Dee")
    assert made.plan is not None
    publishing.publish(office.fleet.registry, made.plan, BY, NOW, "")
    assert len(today(office).stops) >= 3, [len(r.stops) for r in told(office).rounds]
    return office


@pytest.mark.sqlite_only
def test_an_urgent_call_into_a_day_half_done_disturbs_none_of_what_is_finished(
    busy: Office,
) -> None:
    """Two stops finished before their time, one visit of tomorrow cancelled: the proposals name none."""
    registry, r = busy.fleet.registry, today(busy)
    done = [id for stop in r.stops[:2] for id in stop.jobs]
    now = r.stops[1].arrive - 300
    for id in done:
        step(busy, id, "begin", "finish", at=now - 60)
    later = next(
        o.jobs[-1] for o in told(busy).rounds if o.day > r.day or o.technician != r.technician
    )
    step(busy, later, "drop", at=now - 60)
    call = take(busy, unit_id(5), "urgent", urgent=True)
    ways = publishing.proposals(registry, call, now)
    assert ways
    named = {c.job for way in ways for c in way.changes.changes}
    assert named.isdisjoint({*done, later})
    least = ways[0]
    assert least.changes.disturbed == ()
    for way in ways:
        if way.technician == r.technician and way.day == r.day:
            assert way.arrive >= now
    publishing.publish(registry, least.plan, BY, now, "urgent")
    after = told(busy).round_of(r.technician, r.day)
    assert after is not None
    assert list(after.jobs[: len(done)]) == done, "the morning stays on the list"
    assert later not in {id for one in told(busy).rounds for id in one.jobs}
    placed = [id for one in told(busy).rounds for id in one.jobs]
    assert len(placed) == len(set(placed))


@pytest.mark.sqlite_only
def test_the_command_counts_none_of_what_is_finished(
    busy: Office, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    r = today(busy)
    now = r.stops[1].arrive - 300
    for stop in r.stops[:2]:
        for id in stop.jobs:
            step(busy, id, "begin", "finish", at=now - 60)
    take(busy, unit_id(5), "urgent", urgent=True)
    monkeypatch.setattr(rounds_plan.clock, "now", lambda: now)
    code = front_door(
        ["rounds", "insert", "urgent", "--json", "--data", str(busy.fleet.settings.data)]
    )
    said = capsys.readouterr().out
    assert code == 0
    assert '"disturbed":0' in said


@pytest.mark.sqlite_only
def test_a_plan_made_at_noon_knows_what_was_finished_and_what_yesterday_left(busy: Office) -> None:
    """The next day: what was done is no change; what nobody did is planned again or has a reason."""
    registry, r = busy.fleet.registry, today(busy)
    done = list(r.stops[0].jobs)
    for id in done:
        step(busy, id, "begin", "finish", at=r.stops[0].finish)
    undone = [id for stop in r.stops[1:] for id in stop.jobs]
    tomorrow = next((o for o in told(busy).rounds if o.day > r.day), None)
    now = (tomorrow.stops[0].start if tomorrow else NOW + 86_400) + 60
    made = planning.plan_rounds(registry, now, Ask(iterations=40), "Dee").plan
    assert made is not None
    accounted = {id for one in made.rounds for id in one.jobs} | {u.job for u in made.unplanned}
    assert set(undone) <= accounted
    assert not set(done) & {c.job for c in made.changes.changes}


@pytest.mark.sqlite_only
def test_moved_by_hand_at_noon_no_finished_job_is_called_a_change(busy: Office) -> None:
    registry, r = busy.fleet.registry, today(busy)
    now = r.stops[1].arrive - 300
    done = list(r.stops[0].jobs)
    for id in done:
        step(busy, id, "begin", "finish", at=now - 60)
    from scheduler.rounds import Place, move

    _, asked, plan = publishing.changing(registry, now)
    assert plan is not None
    other = "ben" if r.technician == "ana" else "ana"
    verdict = move(plan, asked, r.stops[2].jobs[0], Place(other, "2026-11-27"))
    assert verdict.violations == ()
    assert not set(done) & {c.job for c in verdict.changes.changes}
