"""Rounds read back by others: icalendar, gpxpy, a schema of RFC 7946; nothing secret in any."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import gpxpy
import jsonschema
import msgspec
import pytest
from calendars import moment_of, number_of
from dispatching import BY, CALL, CODE, Office, close, copied, in_force
from fastapi.testclient import TestClient
from icalendar import Calendar
from roles import HERE, Caller, app_of
from seeding import FAILED, NOW, unit_id

from dashboard.exports import paper, visits
from dashboard.exports.calendars import calendar_of
from dashboard.exports.visits import Leg, Visit
from fleet.model.book import FeedEvent
from fleet.registry import people
from fleet.registry.office import rounds_feed, technicians
from fleet.registry.office.rounds_feed import ToldEvent
from hourhand.command_line import main as front_door
from scheduler import dispatch, publishing
from scheduler.rounds import RoundPlan

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only

POSITION = {
    "type": "array",
    "minItems": 2,
    "maxItems": 3,
    "prefixItems": [
        {"type": "number", "minimum": -180, "maximum": 180},
        {"type": "number", "minimum": -90, "maximum": 90},
    ],
}
GEOJSON: dict[str, Any] = {
    "type": "object",
    "required": ["type", "features"],
    "properties": {
        "type": {"const": "FeatureCollection"},
        "features": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["type", "geometry", "properties"],
                "properties": {
                    "type": {"const": "Feature"},
                    "id": {"type": ["string", "number"]},
                    "properties": {"type": ["object", "null"]},
                    "geometry": {
                        "oneOf": [
                            {
                                "type": "object",
                                "required": ["type", "coordinates"],
                                "properties": {"type": {"const": "Point"}, "coordinates": POSITION},
                            },
                            {
                                "type": "object",
                                "required": ["type", "coordinates"],
                                "properties": {
                                    "type": {"const": "LineString"},
                                    "coordinates": {
                                        "type": "array",
                                        "minItems": 2,
                                        "items": POSITION,
                                    },
                                },
                            },
                        ]
                    },
                },
            },
        },
    },
    "not": {"required": ["crs"]},
}
"""RFC 7946: 3.3 FeatureCollection, 3.2 Feature, 3.1.1 positions (longitude first), 4 no crs."""


@pytest.fixture(scope="module")
def office(module_office: Office) -> Office:
    return module_office


@pytest.fixture(scope="module")
def plan(office: Office) -> RoundPlan:
    return dispatch.decode(in_force(office))


def new_feed(office: Office, client: TestClient, caller: Caller, technician: str) -> str:
    """The address of a calendar, as the page shows it once."""
    answer = client.post(
        f"/technicians/{technician}/calendar",
        data={"form_token": caller.form_token},
        headers={"origin": HERE},
    )
    assert answer.status_code == 201
    found = re.search(r"/calendar/[\w-]+", answer.text)
    assert found is not None
    return found[0]


def test_geojson_is_what_the_rfc_says(client: TestClient, plan: RoundPlan) -> None:
    answer = client.get("/rounds/export/geojson")
    assert answer.headers["content-type"] == "application/geo+json"
    body = answer.json()
    jsonschema.validate(body, GEOJSON, cls=jsonschema.Draft202012Validator)
    points = [f for f in body["features"] if f["geometry"]["type"] == "Point"]
    assert len(points) == sum(len(r.stops) for r in plan.rounds)
    east, north = points[0]["geometry"]["coordinates"]
    assert (-2.5 < east < -1.5, 54 < north < 55) == (True, True)
    points[0]["geometry"]["coordinates"] = [north, 154.0]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(body, GEOJSON, cls=jsonschema.Draft202012Validator)


def test_gpx_is_read_back_by_another_program(client: TestClient, plan: RoundPlan) -> None:
    read = gpxpy.parse(client.get("/rounds/export/gpx").text)
    assert read.version == "1.1"
    assert [len(route.points) for route in read.routes] == [len(r.stops) for r in plan.rounds]
    first = read.routes[0].points[0]
    assert first.time == datetime.fromtimestamp(plan.rounds[0].stops[0].arrive, UTC)
    assert first.name is not None
    assert first.name.startswith("1 ")


def test_csv_has_a_row_a_visit(client: TestClient, plan: RoundPlan) -> None:
    rows = list(csv.DictReader(io.StringIO(client.get("/rounds/export/csv").text)))
    assert len(rows) == sum(len(r.stops) for r in plan.rounds)
    assert {row["technician"] for row in rows} <= {"Ana Moss", "Ben Hale"}
    one = client.get("/rounds/export/csv?technician=nobody").text
    assert one.count("\n") == 1


def test_hostile_text_stays_text_everywhere() -> None:
    visit = Visit(
        day="2026-11-25",
        technician="t",
        n=1,
        site="=cmd|' /C calc'!A0",
        address="<a> & \x00\x0b",
        arrive=NOW,
        start=NOW,
        finish=NOW + 60,
        half="morning",
        work=("@SUM(1)", "b"),
        units=("u",),
        jobs=("j",),
        metres=1000,
        lat=54.0,
        lon=-2.0,
    )
    leg = Leg(
        day="2026-11-25",
        technician="t",
        name="O'Brien </name>",
        lat=54.1,
        lon=-2.1,
        visits=(visit,),
    )
    read = gpxpy.parse(visits.gpx([leg], NOW).decode())
    assert read.routes[0].name == "2026-11-25 O'Brien </name>"
    assert read.routes[0].points[0].name == "1 =cmd|' /C calc'!A0"
    (row,) = list(csv.DictReader(io.StringIO(visits.as_csv([leg]))))
    assert row["site"].startswith("'=")
    assert row["work"].startswith("'@")
    jsonschema.validate(visits.geojson([leg]), GEOJSON, cls=jsonschema.Draft202012Validator)


def test_a_calendar_follows_what_was_published(
    office: Office, client: TestClient, caller: Caller, plan: RoundPlan
) -> None:
    busy = plan.rounds[0].technician
    address = new_feed(office, client, caller, busy)
    stranger = Caller("phone").client(app_of(office.fleet))
    answer = stranger.get(address + ".ics")
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    assert answer.headers["cache-control"].startswith("private")
    calendar = Calendar.from_ical(answer.content)
    events = calendar.walk("VEVENT")
    mine = [s for r in plan.rounds if r.technician == busy for s in r.stops]
    assert len(events) == len(mine)
    assert {int(moment_of(e, "DTSTART").timestamp()) for e in events} == {s.start for s in mine}
    uids = [str(e["UID"]) for e in events]
    assert len(set(uids)) == len(uids)
    assert all(number_of(e, "SEQUENCE") == 0 for e in events)
    again = stranger.get(address, headers={"if-none-match": answer.headers["etag"]})
    assert again.status_code == 304
    publishing.publish(office.fleet.registry, plan, BY, NOW + 60, "")
    assert stranger.get(address).content == answer.content, "nothing changed, nothing is told"


def test_a_revoked_address_opens_nothing(
    office: Office, client: TestClient, caller: Caller
) -> None:
    address = new_feed(office, client, caller, "ben")
    assert client.get(address).status_code == 200
    assert address not in client.get("/technicians/ben").text, "it is shown once"
    client.post(
        "/technicians/ben/calendar",
        data={"form_token": caller.form_token, "revoke": "yes"},
        headers={"origin": HERE},
    )
    assert client.get(address).status_code == 404
    assert client.get("/calendar/guess").status_code == 404
    kinds = [row.kind for row in people.audit(office.fleet.registry)]
    assert kinds[:2] == ["feed_revoked", "feed_made"]


def told(**more: Any) -> ToldEvent:
    fields: dict[str, Any] = {
        "uid": "x@hourhand",
        "technician": "t",
        "start": NOW,
        "end": NOW + 3600,
        "summary": "Oil",
    }
    event = FeedEvent(
        **(fields | {k: v for k, v in more.items() if k not in ("sequence", "cancelled")})
    )
    return ToldEvent(
        event=event,
        sequence=more.get("sequence", 0),
        changed_at=NOW,
        cancelled=more.get("cancelled", False),
    )


def test_calendar_text_is_escaped_and_folded() -> None:
    """RFC 5545: 3.1 lines of at most 75 octets, 3.3.11 text escapes ; , \\ and line feeds."""
    summary = "Mill; gate, then \\ up\nBEGIN:VALARM " + "é" * 90
    body = calendar_of("Firm", "t", [told(summary=summary, place="1, High; St", text="a\rb")])
    assert all(len(line) <= 75 for line in body.split(b"\r\n"))
    assert b"\n" not in body.replace(b"\r\n", b"")
    (event,) = Calendar.from_ical(body).walk("VEVENT")
    assert str(event["SUMMARY"]) == summary
    assert b"\r\nBEGIN:VALARM" not in body
    assert str(event["LOCATION"]) == "1, High; St"


def test_a_cancelled_visit_says_so_with_a_higher_sequence() -> None:
    (event,) = Calendar.from_ical(calendar_of("F", "t", [told(sequence=3, cancelled=True)])).walk(
        "VEVENT"
    )
    assert (str(event["STATUS"]), number_of(event, "SEQUENCE")) == ("CANCELLED", 3)
    assert moment_of(event, "DTSTART") == datetime.fromtimestamp(NOW, UTC)


# --- paper -------------------------------------------------------------------------------------


def sheet() -> paper.DaySheet:
    stop = paper.SheetStop(
        n="1",
        place='#include "/etc/passwd"',
        address="= Heading",
        start="08:00",
        half="morning",
        way="3 km",
        call_first=True,
        notes=("Dogs: <b>",),
        phones=("Jo 1",),
        jobs=(paper.SheetJob(unit="u", work="@ref *x*", minutes="30"),),
    )
    return paper.DaySheet(
        title="Day sheet",
        firm="Firm",
        who="Ana",
        day="Wed",
        made="07:05",
        line="Ana",
        cautions=("*not bold* #panic() $x$",),
        parts=(("oil_l", "2"),),
        stops=(stop,),
    )


def test_the_day_sheet_is_a_tagged_pdf_in_the_packaged_font() -> None:
    made = paper.day_sheet(sheet())
    assert made.startswith(b"%PDF-")
    assert b"/StructTreeRoot" in made
    assert b"/MarkInfo" in made
    assert b"NotoSans" in made
    assert b"(en-GB)" in made


def test_a_missing_font_is_a_fault_and_no_other_font(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(paper, "FONTS", tmp_path)
    with pytest.raises(paper.PaperFault, match="noto sans"):
        paper.day_sheet(sheet())


def test_nothing_secret_leaves_the_house(
    office: Office, client: TestClient, caller: Caller, plan: RoundPlan
) -> None:
    """Keys and codes are in no print, feed or export; phone numbers only on the technician's sheet."""
    one = next(r for r in plan.rounds if CALL in r.jobs)
    address = new_feed(office, client, caller, one.technician)
    data = client.get(f"/rounds/sheet/{one.technician}/{one.day}")
    assert data.headers["content-type"] == "application/pdf"
    from dashboard.pages.rounds.export import sheet_data
    from fleet.model import EVERYTHING
    from fleet.registry.office import board

    day = board.day_sheet(office.fleet.registry, EVERYTHING, one.technician, one.day, NOW)
    assert day is not None
    written = msgspec.json.encode(sheet_data("Firm", day)).decode()
    assert "Night porter 01632 960777" in written
    assert "switch to OFF and lock out" in written
    bodies = [client.get(f"/rounds/export/{kind}").text for kind in ("geojson", "gpx", "csv")]
    bodies += [client.get(address).text, client.get("/api/rounds").text]
    for body in (*bodies, written):
        assert "4711" not in body
        assert CODE not in body
    for body in bodies:
        assert "96077" not in body
        assert "960999" not in body
    assert unit_id(FAILED) in bodies[2]
    assert rounds_feed.feeds(office.fleet.registry, one.technician)


# --- the command line --------------------------------------------------------------------------


def test_the_commands_plan_show_fit_in_and_export(
    told_office: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    shutil.copytree(told_office, data)
    where = ["--data", str(data)]

    def planner(*words: str) -> tuple[int, str]:
        code = front_door(["rounds", *words, *where])
        return code, capsys.readouterr().out

    def export(*words: str) -> tuple[int, str]:
        code = front_door(["rounds", "export", *words, *where])
        return code, capsys.readouterr().out

    code, said = planner("plan", "--seconds", "1", "--json")
    assert code == 0
    assert json.loads(said)["plan"]["rounds"]
    assert planner("plan", "--seconds", "0") == (2, "")
    code, said = planner("show")
    assert (code, "Would not start" in said) == (0, True)
    code, said = planner("insert", CALL, "--json")
    assert code == 0
    assert {way["kind"] for way in json.loads(said)} <= {"least", "soonest", "other"}
    assert planner("insert", "nothing")[0] == 1
    file = tmp_path / "rounds.gpx"
    code, said = export("gpx", str(file), "--day", "2026-11-25", "--json")
    assert json.loads(said)["bytes"] == file.stat().st_size
    assert len(gpxpy.parse(file.read_text()).routes) >= 1
    assert export("ics", str(file))[0] == 2
    assert export("ics", str(file), "--technician", "ana")[0] == 0
    assert Calendar.from_ical(file.read_bytes()).walk("VEVENT")


def test_the_front_door_starts_them(told_office: Path, tmp_path: Path) -> None:
    data = tmp_path / "data"
    shutil.copytree(told_office, data)
    shown = subprocess.run(
        [sys.executable, "-m", "hourhand", "rounds", "show", "--json", "--data", str(data)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert shown.returncode == 0, shown.stderr
    assert json.loads(shown.stdout)["published"] is True


def test_technicians_come_in_by_command(told_office: Path, tmp_path: Path) -> None:
    data, file = tmp_path / "data", tmp_path / "technicians.csv"
    shutil.copytree(told_office, data)
    file.write_text("id,name,lat,lon\ncy,Cy Dunn,54.5,-1.6\nbad id,X,1,1\n")
    command = ["technicians", "import", str(file), "--data", str(data)]
    assert front_door(command) == 3
    assert front_door([*command, "--partial"]) == 3
    office = copied(data, tmp_path / "again")
    assert [one.id for one in technicians.technicians(office.fleet.registry)] == [
        "ana",
        "ben",
        "cy",
    ]
    close(office)
