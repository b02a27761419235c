"""The site card: codes on tap to the technician of the day, every look written down."""

from __future__ import annotations

import html

import msgspec
import pytest
from dispatching import CODE, Office, belongs, in_force
from fastapi.testclient import TestClient
from roles import HERE, Caller, add, app_of, signed_in, with_token
from seeding import FAILED, unit_id

from fleet.model import EVERYTHING, Contract, Record
from fleet.registry import lists, people
from fleet.registry.facts.records import add_record
from fleet.registry.office import kept_jobs, sitecard
from fleet.registry.people import Actor
from scheduler import dispatch

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only


@pytest.fixture(scope="module")
def office(module_office: Office) -> Office:
    return module_office


def tap(office: Office, caller: Caller) -> tuple[int, str, str]:
    site = office.sites[unit_id(FAILED)]
    answer = caller.client(app_of(office.fleet)).post(
        f"/sites/{site}/codes", data={"form_token": caller.form_token}, headers={"origin": HERE}
    )
    return answer.status_code, answer.text, answer.headers.get("cache-control", "")


def looks(office: Office) -> list[tuple[str, str]]:
    return [(row.who, row.detail) for row in people.audit(office.fleet.registry, kind="codes_seen")]


def test_only_the_technician_of_the_day_and_the_office_see_the_codes(office: Office) -> None:
    fleet, site = office.fleet, office.sites[unit_id(FAILED)]
    plan = dispatch.decode(in_force(office))
    (today,) = [
        r for r in plan.rounds if r.day == "2026-11-25" and site in [s.site for s in r.stops]
    ]
    there, other = today.technician, "ben" if today.technician == "ana" else "ana"
    on, off = (add(fleet, login, "technician") for login in (there, other))
    belongs(office, there, on)
    belongs(office, other, off)
    here, away = signed_in(fleet, on), signed_in(fleet, off)
    assert tap(office, away)[0] == 403
    assert looks(office) == []
    code, text, kept = tap(office, here)
    assert (code, CODE in text, kept) == (200, True, "no-store")
    assert looks(office) == [(there.title(), "round of today")]
    dee = signed_in(fleet, add(fleet, "dee", "office"))
    assert CODE in tap(office, dee)[1]
    assert looks(office)[0] == ("Dee", "the office")
    for caller in (here, away, dee):
        page = caller.client(app_of(fleet)).get(f"/sites/{site}").text
        assert CODE not in page, "only a tap shows them"
    assert "Show key and codes" in here.client(app_of(fleet)).get(f"/sites/{site}").text
    assert "Show key and codes" not in away.client(app_of(fleet)).get(f"/sites/{site}").text
    token = with_token(fleet, "all", {"read", "record"})
    assert token.client(app_of(fleet)).get(f"/sites/{site}").status_code == 200
    assert CODE not in token.client(app_of(fleet)).get(f"/sites/{site}").text


def test_the_office_writes_the_card_and_the_agreement(office: Office) -> None:
    fleet, site = office.fleet, office.sites[unit_id(0)]
    eve = signed_in(fleet, add(fleet, "eve", "office"))
    client, lock = eve.client(app_of(fleet)), {"form_token": eve.form_token}
    form = lock | {
        "contacts": "Jo Hill; 01632 960555; mornings\nMill desk; 01632 960556",
        "hours": "Mon-Fri 09:00-16:00",
        "test_hours": "Tue 10:00-12:00",
        "access_min": "15",
        "extra_min": "30",
        "toll": "12,50",
        "over_water": "yes",
        "codes": "lock box 99",
        "dogs": "One <b>",
        "directions": "Past the ford",
    }
    assert client.post(f"/sites/{site}", data=form, headers={"origin": HERE}).status_code == 303
    card = sitecard.card(fleet.registry, EVERYTHING, site)
    assert card is not None
    assert [c.name for c in card.contacts] == ["Jo Hill", "Mill desk"]
    assert (card.access_min, card.extra_min, card.toll, card.over_water) == (15, 30, 12.5, True)
    assert (card.hours[0], card.test_hours) == ((("09:00", "16:00"),), {1: (("10:00", "12:00"),)})
    page = client.get(f"/sites/{site}").text
    assert 'href="tel:01632960555"' in page
    assert "One &lt;b&gt;" in page
    wrong = form | {"hours": "whenever"}
    answer = client.post(f"/sites/{site}", data=wrong, headers={"origin": HERE})
    assert (answer.status_code, "is not understood" in answer.text) == (422, True)
    assert "lock box 99" not in answer.text, "codes do not come back in a form"
    agreed = lock | {
        "visits_a_year": "2",
        "response_h": "4",
        "on_stop": "yes",
        "warranty": "gs-01 until 2027-05-01",
        "renewal": "2027-01-31",
    }
    done = client.post(f"/sites/{site}/contract", data=agreed, headers={"origin": HERE})
    assert done.status_code == 303
    kept = kept_jobs.contracts(fleet.registry, EVERYTHING)["hanna-alder"]
    assert (kept.on_stop, kept.response_h, kept.warranty) == (True, 4.0, {"gs-01": "2027-05-01"})
    screen = client.get("/jobs/call?unit=gs-01").text
    assert "on stop" in screen
    assert "under warranty until" in screen
    assert "there within 4 h" in screen


def test_an_agreement_is_held_against_the_visits_made_and_its_day(office: Office) -> None:
    """25 November: two of four visits should be made, the third is behind; renewal in 67, then 20
    days. Only the office sees it."""
    fleet, site = office.fleet, office.sites[unit_id(0)]
    eve = signed_in(fleet, add(fleet, "eve2", "office")).client(app_of(fleet))
    mia = signed_in(fleet, add(fleet, "mia2", "technician")).client(app_of(fleet))
    contract = Contract(customer="hanna-alder", visits_a_year=4, renewal="2027-01-31")
    by = Actor("Eve", "p-eve")
    kept_jobs.save_contract(fleet.registry, contract, fleet.now, by)
    card = client_text(eve, f"/sites/{site}")
    assert "0 of 4 visits made in 2026: 3 visits behind." in card
    assert "To be renewed on 31 Jan 2027." in card
    for n, day in enumerate((40, 40, 20)):
        at = fleet.now - day * 86_400
        visit = Record(id=f"vis-{n}", at=at, by="Eve", unit=unit_id(0), kind="visit", made_at=at)
        add_record(fleet.registry, visit, fleet.now)
    due = client_text(eve, "/due")
    assert "2 of 4 visits made in 2026, the last on 5 Nov: 1 visit behind." in due
    assert "Hanna Alder" in due
    assert "To be renewed" not in due
    assert "of 4 visits" not in client_text(mia, "/due")
    soon = msgspec.structs.replace(contract, visits_a_year=2, renewal="2026-12-15")
    kept_jobs.save_contract(fleet.registry, soon, fleet.now, by)
    due = client_text(eve, "/due")
    assert "visits made" not in due
    assert "To be renewed on 15 Dec 2026, in 20 days." in due
    kept_jobs.save_contract(fleet.registry, Contract(customer="hanna-alder"), fleet.now, by)
    assert "Agreements to look after" not in client_text(eve, "/due")


def client_text(client: TestClient, path: str) -> str:
    return html.unescape(client.get(path).text)


def test_the_sets_page_leads_to_its_card_for_the_firms_people_only(office: Office) -> None:
    fleet, unit = office.fleet, unit_id(FAILED)
    site = office.sites[unit]
    app = app_of(fleet)
    mia = signed_in(fleet, add(fleet, "mia", "technician")).client(app)
    page = mia.get(f"/units/{unit}").text
    assert f'href="/sites/{site}"' in page
    assert f'href="/jobs/call?unit={unit}"' in page
    row = lists.unit(fleet.registry, EVERYTHING, unit)
    assert row is not None
    customer = signed_in(fleet, add(fleet, "cust", "reader", row.customer.id)).client(app)
    shown = customer.get(f"/units/{unit}").text
    assert "/sites/" not in shown
    assert "/jobs" not in shown
    assert customer.get(f"/sites/{site}").status_code == 403
