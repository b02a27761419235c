"""Hours on the set's page: replaced meters, a format that is asked about, readings that are undone."""

from __future__ import annotations

import re
from html import unescape
from urllib.parse import urlencode
from uuid import uuid4

import msgspec
import pytest
from dispatching import Office
from fastapi.testclient import TestClient
from finishing import due_of, records_of, turn
from httpx2 import Response
from roles import HERE, Caller
from seeding import LATE, NOW, unit_id

from dashboard.pages.unit.records import note_line
from fleet import words
from fleet.findings.service import HourFormatAsked, MeterDisagrees, MeterReset
from fleet.model import Finding, Record
from fleet.registry.facts.records import add_record

pytest_plugins = ["dispatching", "finishing"]
pytestmark = pytest.mark.sqlite_only
UNIT = unit_id(LATE)


def send(client: TestClient, caller: Caller, path: str, **fields: str) -> Response:
    form = {"form_token": caller.form_token, **fields}
    return client.post(f"/units/{UNIT}{path}", data=form, headers={"origin": HERE})


def read(client: TestClient, caller: Caller, hours: str, **fields: str) -> Response:
    form = {"id": str(uuid4()), "at": "2026-11-25T07:00", "hours": hours} | fields
    return send(client, caller, "/record/hour_meter", **form)


def test_a_typed_reading_is_undone_on_the_page_that_confirms_it(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    before = due_of(office, UNIT)
    answer = read(client, caller, "9000", sure="yes")
    assert answer.status_code == 303, answer.text
    page = client.get(answer.headers["location"]).text
    made = re.search(r'action="(/units/[^"]+/undo)".*?name="record" value="([^"]+)"', page, re.S)
    assert made is not None
    assert made[1] == f"/units/{UNIT}/undo"
    turn(office)
    assert due_of(office, UNIT) != before
    for _ in range(2):
        undone = send(client, caller, "/undo", record=made[2])
        assert undone.status_code == 303, undone.text
    page = client.get(undone.headers["location"]).text
    assert "counts no more" in page
    assert "/undo" not in page
    assert made[2] not in {r.id for r in records_of(office, UNIT)}
    kept = {r.id: r for r in records_of(office, UNIT, standing=False)}
    assert kept[made[2]].facts["hours"] == 9000.0, "the record is kept as undone"
    assert "/undo" not in client.get(answer.headers["location"]).text, "nothing is left to undo"
    turn(office)
    assert due_of(office, UNIT) == before


def test_only_what_stands_on_this_set_can_be_undone(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    assert send(client, caller, "/undo", record="nothing").status_code == 404
    assert send(client, caller, "/undo", record="").status_code == 404
    note = Record(id="n-1", at=NOW - 60, by="Dee", unit=UNIT, kind="note", facts={"text": "x"})
    add_record(office.fleet.registry, note, NOW)
    other = msgspec.structs.replace(note, id="n-2", facts={"text": "y"}, corrects="n-1")
    add_record(office.fleet.registry, other, NOW)
    answer = send(client, caller, "/undo", record="n-1")
    assert answer.status_code == 409
    assert "corrected already" in answer.text


def test_hours_that_cannot_be_are_refused_in_a_sentence_until_somebody_is_sure(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    _, client, caller = desk
    assert read(client, caller, "404", at="2026-11-20T09:00").status_code == 303
    low = read(client, caller, "300")
    assert low.status_code == 422
    assert "engine hours do not fall" in low.text
    assert 'name="sure"' in low.text
    fast = read(client, caller, "1404")
    assert "more than the clock allows" in fast.text
    assert read(client, caller, "300", sure="yes").status_code == 303


def test_after_a_replacement_the_new_meters_hours_are_no_fall(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    """The advice leads to the form, its readings stand in it, and the engine keeps its age."""
    office, client, caller = desk
    assert read(client, caller, "404", at="2026-11-20T09:00").status_code == 303
    turn(office)
    aged = due_of(office, UNIT)["oil_filter"].hours_now_h
    href = note_line(
        Finding(severity="note", since=NOW, facts=MeterReset(before_h=404.0, after_h=0.2)),
        UNIT,
        "Europe/London",
        NOW,
        words.sentence,
    ).href
    page = client.get(href).text
    assert 'name="old_hours"' in page
    assert 'value="404"' in page
    assert 'value="0.2"' in page
    form = {"id": str(uuid4()), "at": "2026-11-23T09:00", "old_hours": "404", "new_hours": "0.2"}
    answer = send(client, caller, "/record/meter_replaced", **form)
    assert answer.status_code == 303, answer.text
    assert read(client, caller, "0.2").status_code == 303, "no question: it is the new meter's"
    turn(office)
    assert due_of(office, UNIT)["oil_filter"].hours_now_h == pytest.approx(aged, abs=0.5)
    assert "less than the engine has run" in client.get(f"/units/{UNIT}").text


@pytest.mark.parametrize(
    ("facts", "kind", "query"),
    [
        (
            MeterReset(before_h=412.0, after_h=0.4),
            "meter_replaced",
            {"old_hours": "412", "new_hours": "0.4"},
        ),
        (
            HourFormatAsked(writes="hours_minutes", shown=812.45),
            "hour_format",
            {"format": "hours_minutes"},
        ),
        (MeterDisagrees(meter_h=10, integrated_h=12, over_days=30), "hour_meter", {}),
    ],
)
def test_a_note_on_the_metering_leads_to_the_form_that_answers_it(
    desk: tuple[Office, TestClient, Caller],
    facts: MeterReset | HourFormatAsked | MeterDisagrees,
    kind: str,
    query: dict[str, str],
) -> None:
    _, client, _ = desk
    line = note_line(
        Finding(severity="note", since=NOW, facts=facts), UNIT, "Europe/London", NOW, words.sentence
    )
    want = f"/units/{UNIT}/record/{kind}"
    assert line.href == (f"{want}?{urlencode(query)}" if query else want)
    page = client.get(line.href)
    assert page.status_code == 200
    assert line.verb in page.text


def test_what_is_named_in_an_address_never_reaches_the_page_as_html(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    _, client, _ = desk
    text = '"><script>x</script>'
    page = client.get(
        f"/units/{UNIT}/record/meter_replaced", params={"old_hours": text, "id": text}
    )
    assert "<script>x" not in page.text
    assert text[:40] in unescape(page.text)


def test_a_check_shows_what_the_device_sends_and_how_it_is_read(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    _, client, caller = desk
    page = client.get(f"/units/{UNIT}/record/meter_check").text
    raw = re.search(r"Battery, as the device sends it</dt><dd><b>([\d.]+)", page)
    assert raw is not None, page
    form = {
        "id": str(uuid4()),
        "at": "2026-11-20T07:00",
        "channel": "battery_v",
        "meter": f"{float(raw[1]) + 0.5:.2f}",
        "raw": raw[1],
        "instrument": "M-7",
    }
    assert send(client, caller, "/record/meter_check", **form).status_code == 303
    page = client.get(f"/units/{UNIT}/record/meter_check").text
    said = re.search(r"sends it</dt><dd><b>([\d.]+)\D+read here\s+as ([\d.]+)", page)
    assert said is not None, page
    assert float(said[2]) == pytest.approx(float(said[1]) + 0.5, abs=0.01)


def test_hours_are_typed_as_the_display_shows_them(desk: tuple[Office, TestClient, Caller]) -> None:
    """812:42 on the display is 812.7 h; 812:75 is nothing a clock shows."""
    office, client, caller = desk
    assert read(client, caller, "404:42", sure="yes").status_code == 303
    newest = max(records_of(office, UNIT), key=lambda r: (r.at, r.made_at))
    assert newest.facts["hours"] == pytest.approx(404.7)
    assert read(client, caller, "404:75").status_code == 422
