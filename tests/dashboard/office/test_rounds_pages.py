"""Rounds: made, published, changed by hand, an urgent call fitted in, a storm; for whom they are."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from dispatching import BY, CALL, CODE, Office, belongs, close, copied, in_force
from fastapi.testclient import TestClient
from roles import HERE, Caller, add, app_of, signed_in
from seeding import FAILED, NOW, unit_id

from dashboard.views.round_map import Route, Spot, round_map
from fleet.model import EVERYTHING, Job
from fleet.model.jobs import StepKind
from fleet.registry import lists
from fleet.registry.base import tables
from fleet.registry.office import kept_jobs, kept_rounds
from fleet.registry.office.kept_rounds import Ask
from scheduler import dispatch, publishing, work_orders
from scheduler.rounds import RoundPlan
from scheduler.turns import planning

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only


def desk(office: Office) -> tuple[Caller, TestClient]:
    caller = signed_in(office.fleet, add(office.fleet, "dee", "office"))
    return caller, caller.client(app_of(office.fleet))


def post(caller: Caller, client: TestClient, path: str, /, **fields: str) -> tuple[int, str]:
    answer = client.post(
        path, data={"form_token": caller.form_token, **fields}, headers={"origin": HERE}
    )
    return answer.status_code, answer.headers.get("location", "") or answer.text


def answered(office: Office) -> None:
    """The ask that waits, answered as the scheduler does but in a few iterations."""
    asked = kept_rounds.waiting_ask(office.fleet.registry)
    assert asked is not None
    quick = msgspec.structs.replace(asked.ask, iterations=30)
    kept_rounds.note_ask(office.fleet.registry, asked.id, "done", "", NOW)
    planning.plan_rounds(office.fleet.registry, NOW, quick, asked.by)


def told(office: Office) -> RoundPlan:
    return dispatch.decode(in_force(office))


def job(office: Office, id: str) -> Job:
    found = kept_jobs.job(office.fleet.registry, EVERYTHING, id)
    assert found is not None
    return found


def take(office: Office, unit: str, id: str, **more: Any) -> Job:
    row = lists.unit(office.fleet.registry, EVERYTHING, unit)
    assert row is not None
    fields: dict[str, Any] = {
        "id": id,
        "title": f"Job {id}",
        "unit": unit,
        "site": row.site.id,
        "customer": row.customer.id,
        "due_on": "2026-11-27",
    }
    made = Job(**(fields | more))
    kept_jobs.add_jobs(office.fleet.registry, [work_orders.opened(made, NOW, "Dee")])
    return made


def test_the_desk_sees_days_figures_map_and_what_was_left_out(office: Office) -> None:
    take(office, unit_id(0), "two", people=2)
    take(office, unit_id(0), "parts", state="waiting_part")
    caller, client = desk(office)
    post(caller, client, "/rounds/plan")
    answered(office)
    page = client.get("/rounds").text
    assert "A draft of" in page
    assert "Against by hand" in page
    assert re.search(r"Needs two people</b>", page)
    assert re.search(r"Parts not in hand</b>", page)
    assert page.count('<polyline class="way') >= 1
    assert "Would not start" in page
    assert "morning" in page


def test_a_plan_is_asked_for_made_shown_and_published(office: Office) -> None:
    caller, client = desk(office)
    take(office, unit_id(7), "new")
    assert post(caller, client, "/rounds/plan") == (303, "/rounds?done=asked")
    assert "it waits for the scheduler" in client.get("/rounds").text
    answered(office)
    page = client.get("/rounds").text
    assert "What changes" in page
    assert "Job new" in page
    number = re.search(r'name="draft" value="(\d+)"', page)
    assert number is not None
    assert "new" not in {j for r in told(office).rounds for j in r.jobs}
    assert post(caller, client, "/rounds/publish", draft="0")[0] == 409
    assert post(caller, client, "/rounds/publish", draft=number[1])[1] == "/rounds?done=published"
    assert "new" in {j for r in told(office).rounds for j in r.jobs}
    assert "The plan in force" in client.get("/rounds").text


def test_a_draft_can_be_thrown_away(office: Office) -> None:
    caller, client = desk(office)
    take(office, unit_id(7), "new")
    planning.plan_rounds(office.fleet.registry, NOW, Ask(iterations=20), "Dee")
    assert "A draft of" in client.get("/rounds").text
    post(caller, client, "/rounds/discard")
    assert "The plan in force" in client.get("/rounds").text


def test_telling_the_customers_is_written_down_once(office: Office) -> None:
    caller, client = desk(office)
    one = next(r for r in told(office).rounds if CALL in r.jobs)
    assert "not told" in client.get("/rounds").text
    for _ in range(2):
        post(caller, client, "/rounds/tell", technician=one.technician, day=one.day)
    kept = job(office, CALL)
    assert kept.promise is not None
    assert (kept.state, kept.promise.day, kept.promise.told_by, kept.promise.times) == (
        "booked",
        one.day,
        "Dee",
        0,
    )
    assert "told today" in client.get(f"/jobs/{CALL}").text
    assert post(caller, client, "/rounds/tell", technician="nobody", day=one.day)[0] == 404


def test_a_job_is_moved_by_hand_and_the_next_plan_keeps_it(office: Office) -> None:
    caller, client = desk(office)
    was = told(office).places[CALL]
    other = "ben" if was[0] == "ana" else "ana"
    page = client.get(f"/rounds/change/{CALL}").text
    assert f'value="{other}/2026-11-27"' in page
    assert post(
        caller, client, f"/rounds/change/{CALL}", kind="move", to=f"{other}/2026-11-27"
    ) == (
        303,
        "/rounds?done=moved",
    )
    pin = job(office, CALL).pin
    assert pin is not None
    assert (pin.technician, pin.day) == (other, "2026-11-27")
    assert told(office).places[CALL] == was, "nobody is told of a draft"
    take(office, unit_id(7), "new")
    again = planning.plan_rounds(office.fleet.registry, NOW, Ask(iterations=20), "Dee")
    assert again.plan is not None
    assert again.plan.places[CALL][:2] == (other, "2026-11-27")
    post(caller, client, f"/rounds/change/{CALL}", kind="unpin")
    assert job(office, CALL).pin is None


def test_the_checkers_word_comes_before_a_bad_move_is_kept(office: Office) -> None:
    caller, client = desk(office)
    take(office, unit_id(7), "gas", skill="gas")
    path = "/rounds/change/gas"
    code, text = post(caller, client, path, kind="move", to="ana/2026-11-27")
    assert code == 200
    assert "What the checker says" in text
    assert "Nothing is broken" not in text
    assert kept_rounds.draft(office.fleet.registry, EVERYTHING) is None, "nothing was kept yet"
    assert post(caller, client, path, kind="move", to="ana/2026-11-27", keep="yes")[0] == 303
    assert kept_rounds.draft(office.fleet.registry, EVERYTHING) is not None
    assert post(caller, client, path, kind="move", to="ana/2026-11-29")[0] == 422, "a Sunday"


def test_a_job_is_taken_out_by_hand(office: Office) -> None:
    caller, client = desk(office)
    assert (
        post(caller, client, f"/rounds/change/{CALL}", kind="remove")[1] == "/rounds?done=removed"
    )
    draft = kept_rounds.draft(office.fleet.registry, EVERYTHING)
    assert draft is not None
    assert CALL in {u.job for u in dispatch.decode(draft.doc).unplanned}


@pytest.mark.parametrize(
    ("steps", "offered"),
    [
        (("book",), True),
        (("begin", "part_done"), True),
        (("begin",), False),
        (("ask",), False),
        (("finish",), False),
        (("finish", "bill"), False),
        (("drop",), False),
        (("drop", "reopen"), True),
    ],
)
def test_only_what_is_still_to_be_driven_to_is_fitted_in(
    office: Office, steps: tuple[StepKind, ...], offered: bool
) -> None:
    _, client = desk(office)
    id = "urgent"
    one = Job(id=id, title="No cover at the weir", urgent=True, minutes=60)
    one, first = work_orders.opened(one, NOW, "Office")
    kept_jobs.add_jobs(office.fleet.registry, [(one, first)])
    for kind in steps:
        one, step = work_orders.advance(one, kind, NOW, "Office", "Seen to by its owner.")
        kept_jobs.add_steps(office.fleet.registry, [(one, step)])
    assert (f'href="/rounds/insert/{id}"' in client.get(f"/jobs/{id}").text) is offered
    page = client.get(f"/rounds/insert/{id}").text
    assert ("There is nothing to fit in: this job is " in page) is not offered
    if not offered:
        assert "Nobody can be there" not in page
        assert "Take this one" not in page


def test_an_urgent_call_has_two_proposals_and_one_is_taken(office: Office) -> None:
    caller, client = desk(office)
    take(office, unit_id(5), "urgent", urgent=True, due_on="2026-11-25")
    assert 'href="/rounds/insert/urgent"' in client.get("/jobs/urgent").text
    page = client.get("/rounds/insert/urgent").text
    assert page.count("Take this one") in (1, 2)
    assert "Disturbs fewest" in page
    assert post(caller, client, "/rounds/insert/urgent", kind="nothing")[0] == 409
    before = told(office)
    code, where = post(caller, client, "/rounds/insert/urgent", kind="least")
    assert (code, where) == (303, "/rounds?done=inserted")
    after = told(office)
    assert "urgent" in {j for r in after.rounds for j in r.jobs}
    kept = {j for r in before.rounds for j in r.jobs}
    assert kept <= {j for r in after.rounds for j in r.jobs} | {u.job for u in after.unplanned}


def test_in_mid_day_the_morning_stays_on_the_list(office: Office) -> None:
    """A plan published at noon keeps what was begun; what is left may change."""
    registry = office.fleet.registry
    first = next(r for r in told(office).rounds if r.day == "2026-11-25")
    noon = first.stops[0].start + 60
    take(office, unit_id(7), "late", due_on="2026-11-25")
    made = planning.plan_rounds(registry, noon, Ask(iterations=20), "Dee")
    assert made.plan is not None
    assert made.new, made.said
    publishing.publish(registry, made.plan, BY, noon, "")
    after = told(office).round_of(first.technician, first.day)
    assert after is not None
    assert (after.depart, after.stops[0].arrive) == (first.depart, first.stops[0].arrive)
    assert after.stops[0].jobs[0] == first.stops[0].jobs[0]
    assert {j for s in first.stops for j in s.jobs} <= {
        j for r in told(office).rounds for j in r.jobs
    }
    placed = [j for r in told(office).rounds for j in r.jobs]
    assert len(placed) == len(set(placed)), "nothing is done twice"


def test_a_storm_week_re_offers_what_was_told(office: Office) -> None:
    caller, client = desk(office)
    registry = office.fleet.registry
    for n, unit in enumerate((0, 5, 7, 8)):
        take(office, unit_id(unit), f"r{n}", routine=True, due_on="2026-12-04")
    made = planning.plan_rounds(registry, NOW, Ask(iterations=30), "Dee")
    assert made.plan is not None
    publishing.publish(registry, made.plan, BY, NOW, "", tell_customers=True)
    assert (
        post(caller, client, "/rounds/plan", storm_from="2026-11-30", storm_to="2026-11-26")[0]
        == 422
    )
    assert post(caller, client, "/rounds/plan", storm_from="x", storm_to="2026-11-26")[0] == 422
    post(caller, client, "/rounds/plan", storm_from="2026-11-25", storm_to="2026-12-02")
    asked = kept_rounds.newest_ask(registry)
    assert asked is not None
    assert asked.ask.storm == ("2026-11-25", "2026-12-02")
    quick = msgspec.structs.replace(asked.ask, iterations=30)
    plan = planning.plan_rounds(registry, NOW, quick, "Dee").plan
    assert plan is not None
    routine = {j.id for j in kept_jobs.jobs(registry, EVERYTHING) if j.routine and not j.safety}
    for id, (_, day, _) in plan.places.items():
        assert id not in routine or day > "2026-12-02"
    assert "Promises to be made again" in client.get("/rounds").text


# --- for whom ----------------------------------------------------------------------------------


def test_a_technician_sees_the_own_rounds_and_no_other(office: Office) -> None:
    fleet = office.fleet
    one = next(r for r in told(office).rounds if r.day == "2026-11-25")
    person = add(fleet, "tech", "technician")
    belongs(office, one.technician, person)
    client = signed_in(fleet, person).client(app_of(fleet))
    answer = client.get("/rounds")
    assert answer.headers["location"] == f"/rounds/day/{one.technician}/2026-11-25"
    page = client.get(answer.headers["location"]).text
    assert 'href="geo:54.' in page
    assert 'href="tel:01632960777"' in page, "the card's contact"
    assert "Parts to load" in page
    assert "battery" in page
    assert "switch to OFF and lock out" in page
    assert CODE not in page
    other = "ben" if one.technician == "ana" else "ana"
    assert client.get(f"/rounds/day/{other}/2026-11-25").status_code == 404
    assert client.get(f"/rounds/sheet/{other}/2026-11-25").status_code == 404
    assert {r["technician"] for r in client.get("/api/rounds").json()["rounds"]} == {one.technician}
    stranger = signed_in(fleet, add(fleet, "unknown", "technician")).client(app_of(fleet))
    assert "does not belong to a technician yet" in stranger.get("/rounds").text
    assert stranger.get("/rounds/export/csv").text.count("\n") == 1, "the heading alone"


def test_the_demonstration_shows_rounds_and_changes_nothing(
    tmp_path: Path, told_office: Path
) -> None:
    office = copied(told_office, tmp_path / "data", demo=True)
    client = Caller("visitor").client(app_of(office.fleet))
    assert "The plan in force" in client.get("/rounds").text
    assert client.get("/jobs").status_code == 200
    assert "Plan again" not in client.get("/rounds").text
    assert client.post("/rounds/plan", headers={"origin": HERE}).status_code == 403
    site = office.sites[unit_id(FAILED)]
    assert client.post(f"/sites/{site}/codes", headers={"origin": HERE}).status_code == 403
    assert CODE not in client.get(f"/sites/{site}").text
    close(office)


def test_before_the_first_plan_the_page_says_how_to_make_one(office: Office) -> None:
    with office.fleet.registry.write() as connection:
        connection.execute(sa.delete(tables.round_plan))
    caller, client = desk(office)
    assert "No rounds yet" in client.get("/rounds").text
    post(caller, client, "/rounds/plan")
    assert "it waits for the scheduler" in client.get("/rounds").text


def test_technicians_are_added_and_changed_by_the_office(office: Office) -> None:
    caller, client = desk(office)
    form = {
        "id": "cy",
        "name": "Cy Dunn",
        "lat": "54,7",
        "lon": "-1.5",
        "time_zone": "Europe/London",
        "week": "Mon-Thu 07:30-16:00",
        "skills": "gas until 2027-03-31",
        "leave": "",
        "stock": "oil_l 10",
        "active": "yes",
        "lunch_min": "30",
        "reserve_min": "60",
    }
    assert post(caller, client, "/technicians/new", **form) == (303, "/technicians/cy?done=saved")
    assert post(caller, client, "/technicians/new", **form)[0] == 422, "the id is taken"
    assert "Mon-Thu 07:30-16:00" in client.get("/technicians").text
    code, text = post(caller, client, "/technicians/cy", **(form | {"leave": "next week"}))
    assert (code, "is not understood" in text) == (422, True)
    assert client.get("/technicians/nobody").status_code == 404


# --- the map -----------------------------------------------------------------------------------


def test_the_map_keeps_shapes_and_escapes_names() -> None:
    """Equirectangular about the mean latitude: a degree east is cos(lat) of one north."""
    base = Spot(54.0, -2.0, "", "Base")
    way = Route("<b>Ana</b>", base, (Spot(54.5, -2.0, "1", "N & S"), Spot(54.0, -1.0, "2")))
    picture = round_map([way], [], "words")
    assert "<b>Ana" not in picture
    assert "N &amp; S" in picture
    points = re.search(r'points="([^"]+)"', picture)
    assert points is not None
    (x0, y0), (x1, y1), (x2, y2), end = (
        tuple(map(float, pair.split(","))) for pair in points[1].split()
    )
    assert end == (x0, y0)
    assert x0 == x1
    assert y0 == y2
    # cos(54.25 deg) = 0.5842 (tables): one degree east against half a degree north
    assert (x2 - x0) / (y0 - y1) == pytest.approx(2 * 0.5842, rel=2e-3)
    assert round_map([], []) == ""


def test_work_that_begins_after_noon_is_told_by_its_arrival(office: Office) -> None:
    """One visit is one promise, however long the work there takes."""
    plan = told(office)
    one = max((s for r in plan.rounds for s in r.stops), key=lambda stop: len(stop.jobs))
    noon = NOW // 86_400 * 86_400 + 12 * 3600
    long = msgspec.structs.replace(
        one, start=noon - 60, starts=(noon - 60,) * (len(one.jobs) - 1) + (noon + 60,)
    )
    changed = msgspec.structs.replace(
        plan, rounds=(msgspec.structs.replace(plan.rounds[0], stops=(long,)),)
    )
    last = job(office, one.jobs[-1])
    step = dispatch.told_step(last, changed, "Europe/London", NOW, "Dee")
    assert step is not None
    promise = step[0].promise
    assert promise is not None
    assert (promise.day, promise.half) == ("2026-11-25", "morning")


def test_the_demonstration_makes_its_first_plan_once(office: Office) -> None:
    registry = office.fleet.registry
    with registry.write() as connection:
        connection.execute(sa.delete(tables.round_plan))
    assert planning.demonstrate(registry, NOW, seconds=1.0)
    assert kept_rounds.in_force(registry, EVERYTHING) is not None
    assert job(office, CALL).promise is not None
    assert not planning.demonstrate(registry, NOW, seconds=1.0)
