"""A record put right, or taken back, from the set's page: always a new one that names the old."""

from __future__ import annotations

import re
from typing import Any
from uuid import uuid4

import pytest
from dispatching import Office
from fastapi.testclient import TestClient
from finishing import due_of, form_of, open_job, post, records_of, turn
from roles import HERE, Caller, app_of, customer_of, with_token
from seeding import FAILED, LATE, NOW, unit_id

from dashboard.pages import forms
from fleet.model import Record, RecordKind
from fleet.registry.facts.records import add_record

pytest_plugins = ["dispatching", "finishing"]
pytestmark = pytest.mark.sqlite_only
UNIT = unit_id(LATE)
ZONE = "Europe/London"


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        ("task_done", {"task": "oil_filter", "hours": 12345.67, "text": "black"}),
        ("hour_meter", {"hours": 404.5}),
        (
            "meter_check",
            {"channel": "battery_v", "meter": [12.1, 14.2], "raw": [12.0, 14.0], "instrument": "A"},
        ),
        ("meter_check", {"channel": "ac_v", "meter": 231.0, "raw": 224.6, "instrument": "A"}),
        ("part_changed", {"part": "battery", "date": "2026-11-20", "chemistry": "agm"}),
        ("refuel", {"litres": 20.5}),
        ("visit", {"opened": NOW // 60 * 60 - 3600, "closed": NOW // 60 * 60, "minutes": 60.0}),
        ("laid_up", {"from": NOW // 60 * 60}),
        ("note", {"text": "x"}),
    ],
)
def test_a_form_begins_with_what_the_record_says(kind: RecordKind, facts: dict[str, Any]) -> None:
    record = Record(id="r", at=NOW // 60 * 60, by="Dee", unit="U", kind=kind, facts=facts)
    sent = forms.sent_of(record, ZONE)
    fields = [f for f in forms.KINDS[kind].fields if f.name != "task"]
    read = forms.facts_from(fields, sent, ZONE)
    assert read == {name: value for name, value in facts.items() if name != "task"}
    assert forms.moment(sent["at"], ZONE) == record.at


def test_a_wrong_reading_is_corrected_by_form_and_the_old_one_stays_listed(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    job = open_job(office, UNIT, "oil_filter")
    post(client, job, form_of(caller, job, task__oil_filter="done", hours="404"))
    turn(office)
    (done,) = [r for r in records_of(office, UNIT) if r.kind == "task_done" and r.job == job.id]
    address = f"/units/{UNIT}/record/task_done?corrects={done.id}"
    assert address.replace("&", "&amp;") in client.get(f"/units/{UNIT}").text
    page = client.get(address).text
    assert 'value="404"' in page
    assert "This corrects" in page
    form = {
        "form_token": caller.form_token,
        "id": str(uuid4()),
        "at": "2026-11-20T09:00",
        "task": "oil_filter",
        "hours": "403.5",
        "corrects": done.id,
    }
    for _ in range(2):
        answer = client.post(f"/units/{UNIT}/record/task_done", data=form, headers={"origin": HERE})
        assert answer.status_code == 303, answer.text
    standing = {r.id: r for r in records_of(office, UNIT)}
    assert done.id not in standing
    assert (standing[form["id"]].corrects, standing[form["id"]].job) == (done.id, job.id)
    assert done.id in {r.id for r in records_of(office, UNIT, standing=False)}
    turn(office)
    item = due_of(office, UNIT)["oil_filter"]
    assert (item.last_done_on, item.last_done_hours_h) == ("2026-11-20", 403.5)


def test_a_record_is_taken_back_by_form_and_the_due_date_goes_back(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    before, job = due_of(office, UNIT), open_job(office, UNIT, "air_filter")
    post(client, job, form_of(caller, job, task__air_filter="done"))
    turn(office)
    assert due_of(office, UNIT) != before
    (done,) = [r for r in records_of(office, UNIT) if r.kind == "task_done" and r.job == job.id]
    page = client.get(f"/units/{UNIT}/record/note?corrects={done.id}").text
    assert "This takes back" in page
    held = re.search(r'name="corrects" value="([^"]+)"', page)
    assert held is not None
    form = {
        "form_token": caller.form_token,
        "id": str(uuid4()),
        "at": "2026-11-25T07:05",
        "text": "another set",
        "corrects": held[1],
    }
    address = f"/units/{UNIT}/record/note"
    assert client.post(address, data=form, headers={"origin": HERE}).status_code == 303
    turn(office)
    assert due_of(office, UNIT) == before
    again = client.post(address, data=form | {"id": str(uuid4())}, headers={"origin": HERE})
    assert again.status_code == 422
    assert "corrected already" in again.text


def test_nobody_corrects_what_is_not_of_this_set(desk: tuple[Office, TestClient, Caller]) -> None:
    office, client, caller = desk
    theirs = Record(
        id="theirs-1", at=NOW - 60, by="Dee", unit=UNIT, kind="note", facts={"text": "x"}
    )
    add_record(office.fleet.registry, theirs, NOW)
    ours = unit_id(FAILED)
    assert client.get(f"/units/{ours}/record/note?corrects=theirs-1").status_code == 404
    form = {
        "form_token": caller.form_token,
        "id": str(uuid4()),
        "at": "2026-11-25T07:05",
        "text": "gone",
        "corrects": "theirs-1",
    }
    address = f"/units/{ours}/record/note"
    assert client.post(address, data=form, headers={"origin": HERE}).status_code == 404
    token = with_token(office.fleet, "tablet", {"record"}, customer_of(office.fleet, ours))
    sent = {"at": "2026-11-25T07:00:00Z", "kind": "note", "text": "gone", "corrects": "theirs-1"}
    answer = token.client(app_of(office.fleet)).post(f"/api/units/{ours}/records", json=sent)
    assert answer.status_code == 422
    assert "theirs-1" in {r.id for r in records_of(office, UNIT)}, "it stands"
