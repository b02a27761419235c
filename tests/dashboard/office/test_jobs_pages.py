"""The board, a call taken in half a minute, a job's steps, the lines to bill."""

from __future__ import annotations

import csv
import io
import re
from uuid import uuid4

import pytest
from dispatching import BY, CALL, Office
from fastapi.testclient import TestClient
from roles import HERE, Caller, add, app_of, signed_in
from seeding import FAILED, NOW, OUT_OF_AUTO, SILENT, unit_id

from dashboard.exports.sheets import csv_of, safe
from fleet.model import EVERYTHING, Errand, Job, Scope
from fleet.registry.lists.fleet import find_sets
from fleet.registry.office import board, kept_jobs
from fleet.registry.office import kept_rounds as kept
from scheduler import dispatch, work_orders
from scheduler.rounds import Limits, plan

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only


@pytest.fixture(scope="module")
def office(module_office: Office) -> Office:
    return module_office


def sent(of: Caller, /, **fields: str) -> dict[str, str]:
    return {"form_token": of.form_token, **fields}


def call_form(of: Caller, unit: str, **fields: str) -> dict[str, str]:
    return sent(
        of,
        **(
            {
                "id": str(uuid4()),
                "unit": unit,
                "symptom": "Beeps all night",
                "caller": "Jo",
                "phone": "01632 960123",
                "pressing": "week",
                "next": "go",
                "found": "customer",
                "minutes": "60",
                "people": "1",
            }
            | fields
        ),
    )


def taken(office: Office, title: str) -> Job:
    found = [j for j in kept_jobs.jobs(office.fleet.registry, EVERYTHING) if j.title == title]
    assert len(found) == 1
    return found[0]


def test_an_urgent_job_is_fitted_in_by_the_office_alone(
    office: Office, client: TestClient, caller: Caller
) -> None:
    """A link that its reader may not follow is not shown."""
    id = str(uuid4())
    urgent = Job(id=id, title="No cover at the weir", urgent=True, minutes=60)
    kept_jobs.add_jobs(office.fleet.registry, [work_orders.opened(urgent, NOW, "Office")])
    way = f"/rounds/insert/{id}"
    assert f'href="{way}"' in client.get(f"/jobs/{id}").text
    fleet = office.fleet
    technician = signed_in(fleet, add(fleet, "kit", "technician")).client(app_of(fleet))
    assert technician.get(way).status_code == 403
    shown = technician.get(f"/jobs/{id}")
    assert shown.status_code == 200
    assert way not in shown.text


@pytest.mark.parametrize(
    "typed",
    ["Cold", "fish quay", "01632 960001", "01632960001", "+44 1632 960001", "960001", "GS-02"],
)
def test_a_set_is_found_by_surname_street_or_digits(office: Office, typed: str) -> None:
    found = find_sets(office.fleet.registry, EVERYTHING, typed)
    assert [row.unit.id for row in found] == ["gs-02"]


def test_the_only_one_that_fits_is_chosen_with_its_state_beside(client: TestClient) -> None:
    page = client.get("/jobs/call?q=01632960001").text
    assert f'name="unit" value="{unit_id(FAILED)}"' in page
    assert "Did not start at" in page
    assert "Would not start" in page


def test_several_that_fit_are_offered(client: TestClient) -> None:
    page = client.get("/jobs/call?q=Harwick").text
    assert 'name="unit" value=""' in page
    assert page.count("/jobs/call?q=Harwick&amp;unit=") == 3


def test_a_call_is_taken_once_however_often_it_is_sent(
    office: Office, client: TestClient, caller: Caller
) -> None:
    form = call_form(
        caller, unit_id(0), symptom="Smells of gas =SUM(1)\nsince noon", pressing="now"
    )
    for _ in range(2):
        answer = client.post("/jobs/call", data=form, headers={"origin": HERE})
        assert answer.status_code == 303
    job = taken(office, "Smells of gas =SUM(1)")
    assert answer.headers["location"] == f"/jobs/{job.id}?done=taken"
    assert (job.urgent, job.found_by, job.due_on, job.caller) == (
        True,
        "customer",
        "2026-11-25",
        "Jo",
    )
    assert job.customer == "hanna-alder"
    page = client.get(f"/jobs/{job.id}").text
    assert 'href="tel:01632960123"' in page
    assert "switch to OFF and lock out" in page, "whoever is sent reads the cautions"


def test_what_was_typed_is_not_lost_when_a_call_is_refused(
    office: Office, client: TestClient, caller: Caller
) -> None:
    before = len(kept_jobs.jobs(office.fleet.registry, EVERYTHING))
    form = call_form(caller, unit_id(0), symptom="Rattles", minutes="soon")
    answer = client.post("/jobs/call", data=form, headers={"origin": HERE})
    assert answer.status_code == 422
    assert "Minutes: write a whole number" in answer.text
    assert ">Rattles</textarea>" in answer.text
    form = call_form(caller, unit_id(0), symptom="", title="")
    assert client.post("/jobs/call", data=form, headers={"origin": HERE}).status_code == 422
    assert len(kept_jobs.jobs(office.fleet.registry, EVERYTHING)) == before


def test_hostile_text_is_only_text(client: TestClient) -> None:
    page = client.get(f"/jobs/{CALL}").text
    assert "&lt;b&gt;" in page
    assert '<b>"help' not in page
    assert "<script>alert" not in client.get("/jobs").text


def test_the_board_has_a_column_a_state_and_the_pressing_first(
    office: Office, client: TestClient, caller: Caller
) -> None:
    form = call_form(caller, unit_id(7), symptom="Would like a call", next="call")
    client.post("/jobs/call", data=form, headers={"origin": HERE})
    page = client.get("/jobs").text
    columns = re.findall(r'id="col-(\w+)"', page)
    assert columns == ["open", "call_first"]
    assert "was due 10 Jan" in page
    assert 'id="col-call_first"' not in client.get("/jobs?state=open").text
    assert "Would like a call" in client.get("/jobs?q=dairy").text
    assert "Nothing fits" in client.get("/jobs?q=nothing-of-the-kind").text


def test_alerts_suggest_jobs_until_there_is_one(
    office: Office, client: TestClient, caller: Caller
) -> None:
    page = client.get("/jobs").text
    offers = re.findall(r'href="(/jobs/call\?unit=[^"]+)"', page)
    units = [offer.split("unit=")[1].split("&")[0] for offer in offers]
    assert unit_id(OUT_OF_AUTO) in units
    assert unit_id(SILENT) in units
    assert unit_id(FAILED) not in units, "a call was taken for it"
    offer = next(o for o in offers if unit_id(OUT_OF_AUTO) in o).replace("&amp;", "&")
    screen = client.get(offer).text
    assert "out of automatic" in screen
    assert '<option value="call" selected>' in screen, "one call first"
    form = call_form(
        caller, unit_id(OUT_OF_AUTO), symptom="Not in auto", found="alert", next="call"
    )
    client.post("/jobs/call", data=form, headers={"origin": HERE})
    assert taken(office, "Not in auto").found_by == "alert"
    again = re.findall(r'href="(/jobs/call\?unit=[^"]+)"', client.get("/jobs").text)
    assert not [o for o in again if unit_id(OUT_OF_AUTO) in o]


def step(client: TestClient, caller: Caller, job: Job, **fields: str) -> tuple[int, str]:
    form = sent(caller, **({"n": str(job.n)} | fields))
    answer = client.post(f"/jobs/{job.id}/step", data=form, headers={"origin": HERE})
    return answer.status_code, answer.text


def test_a_jobs_life_on_its_page(office: Office, client: TestClient, caller: Caller) -> None:
    client.post(
        "/jobs/call",
        data=call_form(caller, unit_id(8), symptom="Leaks oil"),
        headers={"origin": HERE},
    )
    job = taken(office, "Leaks oil")
    assert step(client, caller, job, kind="called")[0] == 422, "it was not to be called first"
    assert step(client, caller, job, kind="drop")[0] == 422, "no reason was given"
    assert step(client, caller, job, kind="book")[0] == 422, "no day was given"
    assert step(client, caller, job, kind="book", day="2026-11-27", half="afternoon")[0] == 303
    code, text = step(client, caller, job, kind="begin")
    assert (code, "meanwhile" in text) == (422, True), "n is the old one"
    job = taken(office, "Leaks oil")
    assert job.promise is not None
    assert (job.state, job.promise.agreed, job.promise.half) == ("booked", True, "afternoon")
    assert "agreed Fri 27 Nov, afternoon" in client.get(f"/jobs/{job.id}").text
    assert step(client, caller, job, kind="begin")[0] == 303
    job = taken(office, "Leaks oil")
    ended = {"kind": "finish", "form": str(uuid4()), "minutes_used": "75", "outcome": "done"}
    assert step(client, caller, job, **ended)[0] == 422, "what was done?"
    assert step(client, caller, job, **ended, words="New sump gasket")[0] == 303
    job = taken(office, "Leaks oil")
    assert (job.state, job.minutes_used) == ("done", 75)
    rows = list(csv.DictReader(io.StringIO(client.get("/jobs/billing.csv").text)))
    (line,) = [row for row in rows if row["job"] == job.id]
    assert (line["minutes_used"], line["done_on"], line["under_warranty"]) == (
        "75",
        "2026-11-25",
        "no",
    )
    assert step(client, caller, job, kind="bill")[0] == 303
    assert job.id not in client.get("/jobs/billing.csv").text


def test_a_technician_may_not_bill_and_a_reader_sees_no_job(office: Office) -> None:
    app = app_of(office.fleet)
    ana = signed_in(office.fleet, add(office.fleet, "ana", "technician")).client(app)
    assert ana.get("/jobs").status_code == 200
    assert ana.get("/jobs/billing.csv").status_code == 403
    customer = signed_in(office.fleet, add(office.fleet, "cust", "reader", "hanna-alder")).client(
        app
    )
    assert customer.get("/jobs").status_code == 403
    assert customer.get(f"/jobs/{CALL}").status_code == 403
    assert "/jobs" not in customer.get("/").text
    assert customer.get("/api/jobs").status_code == 403


def test_the_interface_keeps_the_callers_number_in_the_house(client: TestClient) -> None:
    body = client.get("/api/jobs").json()
    (call,) = [item for item in body["items"] if item["job"] == CALL]
    assert (call["unit"], call["state"], call["due_on"]) == (unit_id(FAILED), "open", "2026-11-26")
    assert "960999" not in client.get("/api/jobs").text
    assert client.get("/api/jobs/nothing").status_code == 404
    assert client.get(f"/api/jobs/{CALL}").json()["job"] == CALL


@pytest.mark.parametrize(
    ("cell", "kept"),
    [
        ("=1+1", "'=1+1"),
        ("+44", "'+44"),
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("  =x", "'  =x"),
        ("\t=x", "'\t=x"),
        ("plain", "plain"),
        (-1.5, -1.5),
        ("a=b", "a=b"),
    ],
)
def test_no_cell_can_be_run_by_a_spreadsheet(cell: object, kept: object) -> None:
    """OWASP, CSV injection: a cell beginning with = + - @ tab or CR may be a formula."""
    assert safe(cell) == kept
    (row,) = list(csv.reader(io.StringIO(csv_of(("a",), [(cell,)]))))[1:]
    assert row == [str(kept)]


def test_what_a_step_says_of_a_person_is_in_the_audit(office: Office) -> None:
    from fleet.registry import people

    job = kept_jobs.job(office.fleet.registry, EVERYTHING, CALL)
    assert job is not None
    kept_jobs.add_steps(
        office.fleet.registry, [work_orders.advance(job, "note", NOW, "Dee", "rang back")], BY
    )
    assert people.audit(office.fleet.registry, kind="job_changed")[0].subject == CALL


def test_an_errand_has_a_place_and_is_planned(
    office: Office, client: TestClient, caller: Caller
) -> None:
    """A part to fetch: no set, a name and degrees as a map shows them."""
    form = call_form(
        caller,
        "",
        symptom="Fetch the filters",
        found="office",
        minutes="15",
        place="Parts counter, Dock Road",
    )
    for there in ("", "54.6", "north of here", "95.0, 1.0", "54.6, 190"):
        refused = client.post("/jobs/call", data=form | {"there": there}, headers={"origin": HERE})
        assert refused.status_code == 422, there
        assert "atitude" in refused.text
        assert "Parts counter" in refused.text
    id = form["id"]
    answer = client.post(
        "/jobs/call",
        data=form | {"there": "54.61, -1.62"},
        headers={"origin": HERE},
        follow_redirects=False,
    )
    assert answer.status_code == 303, answer.text
    job = kept_jobs.job(office.fleet.registry, EVERYTHING, id)
    assert job is not None
    assert job.errand == Errand(name="Parts counter, Dock Road", lat=54.61, lon=-1.62)
    assert (job.site, job.where) == ("", f"errand-{id}")
    read = board.read(office.fleet.registry, NOW)
    made = dispatch.question(read, NOW, Limits(iterations=200))
    assert job.where in {place.id for place in made.sites}
    assert id in {one.id for one in made.jobs}
    planned = plan(made)
    stops = [stop for one in planned.rounds for stop in one.stops if id in stop.jobs]
    assert len(stops) == 1, [u for u in planned.unplanned if u.job == id]
    assert "Parts counter, Dock Road" in client.get("/jobs?q=counter").text
    places = kept.places(office.fleet.registry, EVERYTHING, [job.where])
    assert places[job.where][0].name == "Parts counter, Dock Road"
    assert kept.places(office.fleet.registry, Scope(frozenset({"x"})), [job.where]) == {}
