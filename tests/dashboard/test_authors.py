"""Nobody writes in another's name: by any form, the interface, a token or a hidden field."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any
from uuid import uuid4

import pytest
import sqlalchemy as sa
from dispatching import CALL, Office
from fastapi import FastAPI
from fastapi.testclient import TestClient
from finishing import form_of, now_of, post, records_of
from roles import HERE, Caller, add, app_of, routes, signed_in, with_token
from seeding import FAILED, NOW, unit_id

from dashboard import authors
from fleet.model import EVERYTHING
from fleet.registry import lists
from fleet.registry.base import tables
from fleet.registry.facts.records import import_records

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only
UNIT = unit_id(0)
FORGED = "Mallory Forged"
NAMES = (
    "by",
    "who",
    "name",
    "author",
    "entered_by",
    "named",
    "via",
    "made_by",
    "said_by",
    "person",
    "technician",
    "user",
    "for",
    "opened_by",
    "told_by",
    "done_by",
)
"""Fields in which somebody's name could be given."""
MEANT: dict[str, set[str]] = {
    "POST /api/units/{unit}/records": {"by"},  # bound: see below
    "POST /units/{unit}/record/{kind}": {"by"},  # bound: the office chooses a colleague
    "POST /jobs/{id}/step": {"by", "technician"},  # bound; technician: who alone may do a job
    "POST /technicians/{id}": {"name", "person"},  # the technician who is written down
    "POST /people": {"name"},
    "POST /people/person/{id}": {"name"},  # by the owner
    "POST /people/tokens": {"name"},
    "POST /people/shares": {"name"},
    "POST /set-up": {"name"},
    "POST /rota": {"person"},
    "POST /channels": {"person"},
    "POST /channels/quiet": {"person"},
    "POST /rounds/tell": {"technician"},  # whose round, whose address
    "POST /rounds/change/{id}": {"technician"},
    "POST /rounds/insert/{id}": {"technician"},
}
"""What such a field means, written by hand: a new one is asked about before it can be sent."""


class Forms(HTMLParser):
    """Addresses of the POST forms of a page with the names of their fields."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: dict[str, set[str]] = {}
        self._at = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._at = given.get("action", "") if given.get("method") == "post" else ""
            if self._at:
                self.found.setdefault(self._at.split("#")[0].split("?")[0], set())
        elif self._at and given.get("name"):
            self.found[self._at.split("#")[0].split("?")[0]].add(given["name"])

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._at = ""


def ids_of(office: Office) -> dict[str, str]:
    """A real id for each route's blank, by the beginning of its path."""
    (episode,) = [
        e
        for e in lists.episodes(office.fleet.registry, EVERYTHING, unit=unit_id(FAILED))
        if e.kind == "failed_start"
    ]
    return {
        "/alerts": episode.id,
        "/jobs": CALL,
        "/sites": office.sites[UNIT],
        "/technicians": "ana",
        "/rounds": CALL,
        "/outages": "none",
        "/people": "none",
        "/channels": "none",
    }


def filled(path: str, ids: dict[str, str]) -> str:
    id = next((held for start, held in ids.items() if path.startswith(start)), "none")
    found = path.replace("{unit}", UNIT).replace("{kind}", "note").replace("{id}", id)
    return re.sub(r"\{\w+\}", "2026-11-25", found)


def route_of(app: FastAPI, address: str) -> str:
    for route in routes(app):
        if "POST" in route.methods and route.path_regex.fullmatch(address):
            return f"POST {route.path}"
    return f"POST {address}"


def come(office: Office, role: Any, login: str) -> tuple[Caller, TestClient, FastAPI]:
    app = app_of(office.fleet)
    caller = signed_in(office.fleet, add(office.fleet, login, role))
    return caller, caller.client(app), app


def test_every_field_in_which_a_name_could_be_given_is_known(office: Office) -> None:
    """Every form of every page, as everybody of the firm, and every body of the interface."""
    ids = ids_of(office)
    found: dict[str, set[str]] = {}
    for role in ("technician", "office", "owner"):
        _, client, app = come(office, role, f"walks-{role}")
        for route in routes(app):
            if "GET" not in route.methods or route.path in ("/events",):
                continue
            for form, fields in Forms(client.get(filled(route.path, ids)).text).found.items():
                named = {f for f in fields if f.split(".")[-1] in NAMES}
                found.setdefault(route_of(app, form), set()).update(named)
        body = client.get("/api/openapi.json").json()
        for path, ways in body["paths"].items():
            for way, said in ways.items():
                schema = (said.get("requestBody") or {}).get("content", {}).get("application/json")
                if schema is None:
                    continue
                name = schema["schema"]["$ref"].rsplit("/", 1)[1]
                fields = body["components"]["schemas"][name]["properties"]
                found.setdefault(f"{way.upper()} {path}", set()).update(set(fields) & set(NAMES))
    assert len(found) > 20, sorted(found)
    assert "by" in found["POST /api/units/{unit}/records"]
    odd = {key: names - MEANT.get(key, set()) for key, names in found.items()}
    assert not {key: names for key, names in odd.items() if names}


def written(office: Office) -> dict[str, int]:
    """How often the forged name stands in each table that says who did something."""
    found = {}
    with office.fleet.registry.read() as connection:
        for table in (
            tables.record,
            tables.job_step,
            tables.step,
            tables.call,
            tables.mark,
            tables.audit,
            tables.calibration,
            tables.claim,
            tables.job,
            tables.outage,
        ):
            rows = connection.execute(sa.select(table)).all()
            found[table.name] = sum(FORGED.encode() in repr(tuple(row)).encode() for row in rows)
    return found


BODY = {
    "text": "seen",
    "note": "seen",
    "words": "seen",
    "outcome": "done",
    "kind": "finish",
    "symptom": "Beeps",
    "unit": UNIT,
    "pressing": "week",
    "next": "go",
    "found": "customer",
    "minutes": "60",
    "people": "1",
    "mark": "right",
    "until": "2026-11-26T08:00",
    "why": "seen",
    "at": "2026-11-25T07:00",
    "done_at": "2026-11-25T07:00",
}


def test_a_technician_who_sends_another_name_everywhere_forges_nowhere(office: Office) -> None:
    """Every route that takes a form, sent what it wants and another's name in every field."""
    caller, client, app = come(office, "technician", "ana")
    ids, accepted = ids_of(office), []
    for route in routes(app):
        if "POST" not in route.methods or route.path in ("/sign-out", "/sign-in", "/jobs/call"):
            continue
        for kind in ("note", "visit", "hour_meter", "fitting", "out_of_service", "part_changed"):
            if "{kind}" not in route.path and kind != "note":
                continue
            path = filled(route.path, ids).replace("/note", f"/{kind}")
            facts = {
                "opened": "2026-11-25T06:00",
                "hours": "403",
                "device": "dev-01",
                "part": "fuse",
                "from": "2026-11-25T06:00",
            }
            job = now_of(office, CALL)
            named = dict.fromkeys(NAMES, FORGED)
            base = {"at": BODY["at"], "text": "seen"} if "/record/" in path else BODY
            form = (
                base
                | facts
                | named
                | {
                    "form_token": caller.form_token,
                    "id": str(uuid4()),
                    "form": str(uuid4()),
                    "n": str(job.n),
                    "_": "",
                    "name": FORGED,
                }
            )
            answer = client.post(path, data=form, headers={"origin": HERE})
            assert answer.status_code < 500, path
            sent = dict(form) | {"id": str(uuid4())}
            for name in ("by", "technician"):
                sent.pop(name)
            plain = client.post(path, data=sent, headers={"origin": HERE})
            accepted += [path] * (303 in (answer.status_code, plain.status_code))
    body = {"at": "2026-11-25T07:00:00Z", "kind": "note", "text": "seen", "by": FORGED}
    for extra in ({}, {"entered_by": FORGED}, {"facts": {"by": FORGED}}, {"via": "import"}):
        refused = client.post(
            f"/api/units/{UNIT}/records", json=body | extra, headers={"origin": HERE}
        )
        assert refused.status_code == 403, refused.text
        assert "signed in as Ana" in refused.json()["detail"]
    assert written(office) == dict.fromkeys(written(office), 0)
    assert {
        f"/alerts/{ids['/alerts']}/have",
        f"/jobs/{CALL}/step",
        f"/units/{UNIT}/record/note",
    } <= set(accepted), "so the walk is of what writes"
    assert {r.by for r in records_of(office, UNIT) if r.at >= NOW - 600} == {"Ana"}


def test_a_person_writes_as_himself_and_need_not_say_so(office: Office) -> None:
    _, client, _ = come(office, "technician", "ana")
    made = client.post(
        f"/api/units/{UNIT}/records",
        headers={"origin": HERE},
        json={"at": "2026-11-25T07:00:00Z", "kind": "note", "text": "a"},
    ).json()
    assert (made["by"], made["entered_by"], made["via"]) == ("Ana", "", "")
    page = client.get(f"/units/{UNIT}/record/note").text
    assert 'name="by"' not in page, "there is nothing to choose"
    assert f"/units/{UNIT}" in page


def test_the_office_enters_work_for_a_colleague_and_both_names_are_kept(office: Office) -> None:
    caller, client, _ = come(office, "office", "olga")
    page = client.get(f"/units/{UNIT}/record/note").text
    assert '<option value="Ana Moss">' in page
    form = {
        "form_token": caller.form_token,
        "id": str(uuid4()),
        "at": "2026-11-25T06:30",
        "by": "Ana Moss",
        "text": "Paper sheet of Tuesday",
    }
    address = f"/units/{UNIT}/record/note"
    assert client.post(address, data=form, headers={"origin": HERE}).status_code == 303
    (record,) = [r for r in records_of(office, UNIT) if r.facts.get("text") == form["text"]]
    assert (record.by, record.entered_by) == ("Ana Moss", "Olga")
    assert "Ana Moss, entered by Olga" in client.get(f"/units/{UNIT}").text
    stranger = client.post(
        address, data=form | {"by": FORGED, "id": str(uuid4())}, headers={"origin": HERE}
    )
    assert stranger.status_code == 422
    assert "nobody of that name works here" in stranger.text
    over = {"at": "2026-11-25T07:00:00Z", "kind": "note", "text": "b", "by": "Ben Hale"}
    made = client.post(f"/api/units/{UNIT}/records", json=over, headers={"origin": HERE}).json()
    assert (made["by"], made["entered_by"]) == ("Ben Hale", "Olga")


def test_a_customer_may_not_be_written_for(office: Office) -> None:
    add(office.fleet, "cust", "reader", "hanna-alder")
    viewer = add(office.fleet, "olga", "office")
    caller = signed_in(office.fleet, viewer)
    client = caller.client(app_of(office.fleet))
    body = {"at": "2026-11-25T07:00:00Z", "kind": "note", "text": "b", "by": "Cust"}
    answer = client.post(f"/api/units/{UNIT}/records", json=body, headers={"origin": HERE})
    assert answer.status_code == 403


def test_a_job_finished_for_a_colleague_keeps_both_names(office: Office) -> None:
    caller, client, _ = come(office, "office", "olga")
    job = now_of(office, CALL)
    form = form_of(
        caller,
        job,
        outcome="done",
        words="Cleaned the terminals",
        by="Ben Hale",
        parts_used="oil_l 2",
    )
    assert post(client, job, form).status_code == 303
    (visit,) = [r for r in records_of(office, unit_id(FAILED)) if r.job == CALL]
    assert (visit.kind, visit.by, visit.entered_by) == ("visit", "Ben Hale", "Olga")
    page = client.get(f"/jobs/{CALL}").text
    assert "Olga for Ben Hale" in page
    assert "oil_l 2 out of the van" in page, "of Ben's van"
    forged = form_of(caller, now_of(office, CALL), outcome="done", words="x", by=FORGED)
    assert post(client, job, forged).status_code == 422


def test_a_token_writes_as_itself_whatever_it_names(office: Office) -> None:
    program = with_token(office.fleet, "tablet", {"record", "read"}).client(app_of(office.fleet))
    body = {"at": "2026-11-25T07:00:00Z", "kind": "note", "text": "c", "id": str(uuid4())}
    for by in ({"by": "Dee"}, {}, {"by": "token tablet"}):
        made = program.post(f"/api/units/{UNIT}/records", json=body | by)
        assert made.status_code == 201, "and sent again it is the same record"
        assert (made.json()["by"], made.json()["named"], made.json()["via"]) == (
            "token tablet",
            "Dee",
            "token",
        )
    assert len([r for r in records_of(office, UNIT) if r.id == body["id"]]) == 1


def test_an_import_keeps_its_names_and_is_marked(office: Office) -> None:
    rows = [
        {
            "id": "imp-1",
            "at": "2026-11-20T10:00",
            "by": "Old Hand",
            "unit": UNIT,
            "kind": "note",
            "text": "from paper",
        }
    ]
    for _ in range(2):
        report = import_records(office.fleet.registry, rows, NOW, "office")
        assert report.ok, report.problems
    (record,) = [r for r in records_of(office, UNIT) if r.id == "imp-1"]
    assert (record.by, record.via) == ("Old Hand", "import")
    assert authors.said(record.by, record.entered_by, record.via) == "Old Hand, imported"
    assert report.unchanged == 1


def test_a_record_written_before_ways_were_kept_is_the_same_when_imported_again(
    office: Office,
) -> None:
    from fleet.model import Record
    from fleet.registry.facts.records import add_record

    old = Record(id="old-1", at=NOW - 3600, by="Dee", unit=UNIT, kind="note", facts={"text": "x"})
    add_record(office.fleet.registry, old, NOW)
    rows = [
        {"id": "old-1", "at": NOW - 3600, "by": "Dee", "unit": UNIT, "kind": "note", "text": "x"}
    ]
    report = import_records(office.fleet.registry, rows, NOW, "office")
    assert (report.ok, report.unchanged) == (True, 1)
