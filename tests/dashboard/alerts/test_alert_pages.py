"""Alerts, outages, rota and waking table as people use them: pages, forms, scopes, the interface."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from typing import Any

import pytest
from mains_off import alert_of, mains_off
from roles import HERE, Caller, add, app_of, customer_of, signed_in, with_token
from seeding import FAILED, NOW, OUT_OF_AUTO, SILENT, Fleet, seeded, unit_id

from dashboard.pages.alerts.alerts_page import share_of_time
from fleet import words
from fleet.model import EVERYTHING, Record
from fleet.registry.facts.records import add_record
from fleet.registry.office import duty_rota
from fleet.registry.told import alerts
from scheduler.alarms import state_of


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("alerts"), demo=False) as made:
        yield made


@pytest.fixture(scope="module")
def outage(fleet: Fleet) -> str:
    return mains_off(fleet)


@pytest.fixture(scope="module")
def dee(fleet: Fleet) -> Caller:
    return signed_in(fleet, add(fleet, "dee", "technician"))


@pytest.fixture(scope="module")
def boss(fleet: Fleet) -> Caller:
    return signed_in(fleet, add(fleet, "boss@example.org", "owner"))


@pytest.fixture(scope="module")
def theirs(fleet: Fleet) -> Caller:
    return signed_in(fleet, add(fleet, "theirs", "reader", customer_of(fleet, unit_id(SILENT))))


def get(fleet: Fleet, who: Caller, path: str) -> Any:
    return who.client(app_of(fleet)).get(path)


def post(fleet: Fleet, who: Caller, path: str, **fields: Any) -> Any:
    data = {"form_token": who.form_token, **fields}
    return who.client(app_of(fleet)).post(path, data=data, headers={"origin": HERE})


def state(fleet: Fleet, id: str) -> str:
    found = alerts.episode(fleet.registry, EVERYTHING, id)
    assert found is not None
    return state_of(found)


def test_the_list_says_where_each_alert_stands(fleet: Fleet, dee: Caller) -> None:
    text = get(fleet, dee, "/alerts").text
    assert "Nobody has it yet" in text
    assert "Three attempts" in text or "no run followed" in text
    assert "The last 30 days" in text
    assert "control room" in text
    assert f"/alerts/{alert_of(fleet, FAILED, 'failed_start')}" in text


def test_opening_an_alert_changes_nothing(fleet: Fleet, dee: Caller) -> None:
    """Mail scanners open links: an alert is answered by a form only."""
    id = alert_of(fleet, FAILED, "failed_start")
    for _ in range(3):
        answer = get(fleet, dee, f"/alerts/{id}")
        assert answer.status_code == 200
    assert state(fleet, id) == "unacknowledged"
    assert get(fleet, dee, f"/alerts/{id}/have").status_code == 405
    for line in words.CAUTIONS:
        assert line in html.unescape(answer.text)
    assert "tel:" in answer.text


def test_i_have_it(fleet: Fleet, dee: Caller) -> None:
    id = alert_of(fleet, OUT_OF_AUTO, "not_in_auto")
    answer = post(fleet, dee, f"/alerts/{id}/have")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/alerts/{id}?done=have")
    assert state(fleet, id) == "acknowledged"
    assert "Dee has it" in get(fleet, dee, f"/alerts/{id}?done=have").text
    again = post(fleet, dee, f"/alerts/{id}/have")
    assert again.status_code == 409
    assert "cannot be acknowledged" in again.text


def test_a_form_without_its_token_changes_nothing(fleet: Fleet, dee: Caller) -> None:
    id = alert_of(fleet, FAILED, "failed_start")
    answer = dee.client(app_of(fleet)).post(
        f"/alerts/{id}/have", data={"form_token": "x"}, headers={"origin": HERE}
    )
    assert answer.status_code == 403
    assert state(fleet, id) == "unacknowledged"


def test_shelved_until_and_taken_down_again(fleet: Fleet, dee: Caller) -> None:
    id = alert_of(fleet, SILENT, "not_reporting")
    assert post(fleet, dee, f"/alerts/{id}/shelve", until="soon").status_code == 422
    past = post(fleet, dee, f"/alerts/{id}/shelve", until="2026-11-25T06:00")
    assert past.status_code == 409
    assert "still to come" in past.text
    done = post(fleet, dee, f"/alerts/{id}/shelve", until="2026-11-25T18:00", why="line is ordered")
    assert done.status_code == 303
    text = get(fleet, dee, f"/alerts/{id}").text
    assert "Shelved until 18:00" in text
    assert "by Dee" in text
    assert post(fleet, dee, f"/alerts/{id}/unshelve").status_code == 303
    assert state(fleet, id) == "unacknowledged"


def test_right_wrong_known(fleet: Fleet, dee: Caller) -> None:
    id = alert_of(fleet, FAILED, "failed_start")
    assert post(fleet, dee, f"/alerts/{id}/mark", mark="dunno").status_code == 422
    post(fleet, dee, f"/alerts/{id}/mark", mark="right")
    post(fleet, dee, f"/alerts/{id}/mark", mark="wrong", customer_first="yes")
    text = get(fleet, dee, f"/alerts/{id}").text
    assert "Marked wrong by Dee; the customer knew first." in text
    (counts,) = alerts.marks_by_kind(fleet.registry, EVERYTHING, 0)
    assert (counts.kind, counts.right, counts.wrong, counts.customer_first) == (
        "failed_start",
        0,
        1,
        1,
    )
    assert "Failed start" in get(fleet, dee, "/alerts").text


def test_the_call_list(fleet: Fleet, dee: Caller, outage: str) -> None:
    """Failed first, then no proof, then the covered; a tap calls; what came of it is written."""
    text = get(fleet, dee, f"/outages/{outage}").text
    order = [text.index(f'id="u-{unit_id(n)}"') for n in (6, SILENT, 0)]
    assert order == sorted(order)
    assert "Would not start" in text
    assert "No proof of cover" in text
    assert 'href="tel:01632960006"' in text
    answer = post(fleet, dee, f"/outages/{outage}/call", unit=unit_id(6), outcome="no_power")
    assert answer.status_code == 303
    assert f"#u-{unit_id(6)}" in answer.headers["location"]
    assert "They have no power, Dee, 07:05" in get(fleet, dee, f"/outages/{outage}").text
    wrong = post(fleet, dee, f"/outages/{outage}/call", unit=unit_id(1), outcome="no_power")
    assert wrong.status_code == 422


def test_the_same_call_sent_twice_is_one(fleet: Fleet, dee: Caller, outage: str) -> None:
    key = "0f2b9a54-0000-4000-8000-000000000001"
    for _ in range(2):
        post(
            fleet, dee, f"/outages/{outage}/call", unit=unit_id(SILENT), outcome="no_answer", id=key
        )
    assert [c.id for c in alerts.calls(fleet.registry, EVERYTHING, outage)].count(key) == 1


def test_i_have_the_outage(fleet: Fleet, dee: Caller, boss: Caller, outage: str) -> None:
    assert "I have it" in get(fleet, dee, f"/outages/{outage}").text
    assert post(fleet, dee, f"/outages/{outage}/have").status_code == 303
    assert state(fleet, outage) == "acknowledged"
    assert "Dee has it" in get(fleet, boss, f"/outages/{outage}").text
    assert post(fleet, boss, f"/outages/{outage}/have").status_code == 303, "noted, no fault"


def test_a_customer_sees_its_own_sets_of_an_outage(
    fleet: Fleet, theirs: Caller, outage: str
) -> None:
    page = get(fleet, theirs, f"/outages/{outage}")
    assert page.status_code == 200
    assert unit_id(SILENT) in page.text
    assert unit_id(6) not in page.text
    assert "Dee" not in page.text, "names of staff are not for customers"
    assert "outcome" not in page.text
    (seen,) = get(fleet, theirs, "/api/outages").json()["items"]
    assert [u["unit"] for u in seen["units"]] == [unit_id(SILENT)]
    stranger = signed_in(fleet, add(fleet, "stranger", "reader", customer_of(fleet, unit_id(1))))
    assert get(fleet, stranger, f"/outages/{outage}").status_code == 404
    assert (
        get(fleet, stranger, f"/alerts/{alert_of(fleet, SILENT, 'not_reporting')}").status_code
        == 404
    )


def test_the_interface_says_state_and_call_order(fleet: Fleet, outage: str) -> None:
    token = with_token(fleet, "reads", {"read"})
    items = get(fleet, token, "/api/alerts?state=all&limit=200").json()["items"]
    assert {i["state"] for i in items} <= {
        "unacknowledged",
        "acknowledged",
        "returned",
        "normal",
        "shelved",
        "suppressed",
        "out_of_service",
    }
    (found,) = [o for o in get(fleet, token, "/api/outages").json()["items"] if o["id"] == outage]
    assert [u["cover"] for u in found["units"]][:2] == ["failed", "unproven"]
    assert found["began_at"].endswith("Z")
    assert found["cautions"]


def test_the_owner_changes_the_waking_table(fleet: Fleet, dee: Caller, boss: Caller) -> None:
    assert "disabled" in get(fleet, dee, "/waking").text
    assert post(fleet, dee, "/waking", n="0").status_code == 403
    ticked = re.findall(r'name="wake" value="([^"]+)" checked', get(fleet, boss, "/waking").text)
    assert "no_cover.home.off" in ticked
    assert "no_cover.home.on" not in ticked
    answer = post(fleet, boss, "/waking", n="0", wake=[*ticked, "no_cover.home.on"])
    assert answer.status_code == 303
    held, n = duty_rota.waking(fleet.registry)
    assert n == 1
    assert [(r.concern, r.criticality, r.mains, r.wake) for r in held.rows] == [
        ("no_cover", "home", "on", "wake")
    ]
    stale = post(fleet, boss, "/waking", n="0", wake=ticked)
    assert stale.status_code == 409
    assert "Somebody else" in stale.text
    assert "changed from the default" in get(fleet, dee, "/waking").text


def test_the_office_makes_the_rota(fleet: Fleet, dee: Caller, boss: Caller) -> None:
    people = {c.name: c.person for c in duty_rota.contacts(fleet.registry)}
    ids = [people["Dee"], people["Boss@Example.Org"]]
    fields = {
        "n": "0",
        "person": [*ids, ""],
        "start": "2026-11-23",
        "handover": "08:00",
        "zone": " europe/LONDON",
        "minutes": "10",
        "last": ids[1],
    }
    assert post(fleet, dee, "/rota", **fields).status_code == 403
    for wrong in (
        {"handover": "8 o'clock"},
        {"zone": "Mars/One"},
        {"minutes": "0"},
        {"start": "soon"},
        {"person": ["nobody"]},
    ):
        assert post(fleet, boss, "/rota", **fields | wrong).status_code == 422, wrong
    assert post(fleet, boss, "/rota", **fields).status_code == 303
    held, n = duty_rota.rota(fleet.registry)
    assert (held.people, held.escalate_s, n) == (tuple(ids), 600, 1)
    assert held.zone == "Europe/London"
    swap = {"what": "swap", "n": "1", "person": ids[1], "from": "2026-11-26", "to": "2026-11-28"}
    assert post(fleet, boss, "/rota", **swap | {"to": "2026-11-26"}).status_code == 422
    assert post(fleet, boss, "/rota", **swap).status_code == 303
    text = get(fleet, dee, "/rota").text
    assert "28 Nov 2026" in text
    assert "No message can reach Dee" in text
    assert post(fleet, boss, "/rota", what="unswap", n="2", swap="0").status_code == 303
    assert duty_rota.rota(fleet.registry)[0].swaps == ()


def test_an_open_visit_is_shown_on_the_page_of_its_set(fleet: Fleet, dee: Caller) -> None:
    unit = unit_id(7)
    assert "A visit is open" not in get(fleet, dee, f"/units/{unit}").text
    visit = Record(
        id="v-open", at=NOW - 1200, by="Dee", unit=unit, kind="visit", facts={"opened": NOW - 1200}
    )
    add_record(fleet.registry, visit, NOW)
    assert "A visit is open by Dee since 06:45" in get(fleet, dee, f"/units/{unit}").text


def test_a_flood_that_was_is_not_said_to_be_none() -> None:
    """Ten minutes of thirty days are a flood all the same."""
    assert share_of_time(600 / (30 * 86_400)) == "under 0.1 %"
    assert share_of_time(0.0) == "0.0 %"
    assert share_of_time(0.012) == "1.2 %"
