"""The HTTP interface: shapes, scope, limits, records, problem details. A real registry and store."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from as_viewer import as_owner, as_reader, form
from fastapi.testclient import TestClient
from seeding import FAILED, LATE, NEW, NOW, OUT_OF_AUTO, RUNNING, SILENT, Fleet, seeded, unit_id

from dashboard.__main__ import main
from dashboard.api import service
from dashboard.app import NotLoopback, create_app
from dashboard.guard import HEADERS, POLICY
from fleet.history import StoreDown
from fleet.registry.lists.rows import Counts, HealthFacts
from fleet.settings import Settings

HERE = "http://127.0.0.1:8080"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("api")) as made:
        yield made


@pytest.fixture(scope="module")
def client(fleet: Fleet) -> Iterator[TestClient]:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_owner(app)
    with TestClient(app, base_url=HERE, raise_server_exceptions=False) as made:
        yield made


def scoped(fleet: Fleet, *customers: str) -> TestClient:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_reader(app, *customers)
    return TestClient(app, base_url=HERE, raise_server_exceptions=False)


def customer_of(client: TestClient, n: int) -> str:
    name: str = client.get(f"/api/units/{unit_id(n)}").json()["customer"]
    return name


# --- units -----------------------------------------------------------------------------------


def test_units_carry_condition_findings_hours_and_iso_times(client: TestClient) -> None:
    page = client.get("/api/units").json()
    assert page["next"] is None
    by_id = {unit["unit"]: unit for unit in page["items"]}
    assert len(by_id) == 10
    failed = by_id[unit_id(FAILED)]
    finding = failed["findings"][0]
    assert (finding["kind"], finding["severity"]) == ("failed_start", "act_now")
    assert finding["since"] == "2026-11-25T06:12:00Z"  # NOW - 3180 s, as planted
    assert finding["facts"]["crank_min_v"] == 8.1
    assert "06:12" in finding["sentence"]
    assert by_id[unit_id(RUNNING)]["condition"] == "on_load"
    assert by_id[unit_id(OUT_OF_AUTO)]["condition"] == "not_in_auto"
    assert by_id[unit_id(SILENT)]["findings"][0]["severity"] == "no_word"
    assert by_id[unit_id(NEW)]["heard_at"] is None


def test_readiness_is_told_as_numbers_and_with_its_proof(client: TestClient) -> None:
    told = client.get("/api/readiness").json()
    assert told == {
        "units": 10,
        "ready": 0,
        "doubtful": 6,
        "not_ready": 2,
        "unknown": 2,
        "unknown_silent": 1,
        "unknown_too_new": 1,
        "set_aside": 0,
    }
    items = client.get("/api/units?readiness=not_ready").json()["items"]
    assert {item["readiness"]["why"] for item in items} == {"failed_start", "not_in_auto"}
    assert all(item["readiness"]["sentence"].startswith("Not ready: ") for item in items)
    assert {item["mains"]["state"] for item in items} == {"present"}
    full = client.get("/api/units/gs-02").json()
    assert "transfer" not in full["readiness"]["blind"]
    assert full["fuel"]["level_pct"] is not None


def test_pages_of_units_join_without_loss_or_double(client: TestClient) -> None:
    seen, cursor = [], None
    while True:
        query = {"limit": 3} | ({"cursor": cursor} if cursor else {})
        page = client.get("/api/units", params=query).json()
        seen += [unit["unit"] for unit in page["items"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert seen == [unit_id(n) for n in range(10)]


@pytest.mark.parametrize(
    ("search", "found"),
    [("alder", [0]), ("mill lane", [0]), ("960001", [FAILED]), ("GS-05", [4]), ("zzz", [])],
)
def test_a_set_is_found_by_surname_street_phone_and_id(
    client: TestClient, search: str, found: list[int]
) -> None:
    page = client.get("/api/units", params={"search": search}).json()
    assert [unit["unit"] for unit in page["items"]] == [unit_id(n) for n in found]


def test_one_unit_has_calibrated_readings_and_says_which_a_meter_was_on(client: TestClient) -> None:
    unit = client.get(f"/api/units/{unit_id(0)}").json()
    mains = next(r for r in unit["readings"] if r["channel"] == "mains_v")
    battery = next(r for r in unit["readings"] if r["channel"] == "battery_v")
    assert mains["calibrated"] is True
    assert battery["calibrated"] is False
    raw = client.get(
        f"/api/units/{unit_id(0)}/readings",
        params={"channel": "mains_v", "from": "2026-11-25T06:30:00Z", "raw": True},
    ).json()["items"][0]["value"][-1]
    # One-point gain: meter 231.0 V over raw 233.0 V (docs/engineering/calibration.md#one-point-and-two-points).
    assert mains["value"] == pytest.approx(raw * 231.0 / 233.0)
    assert unit["devices"] == ["dev-01"]
    assert unit["gap_s"] > 0
    assert unit["due"]


def test_every_quantity_names_its_unit(client: TestClient) -> None:
    """Numbers of the answers: the name ends in a unit, or is a count, a share or an id."""
    free = {
        "share",
        "attempts",
        "readings",
        "status",
        "every_months",
        "cylinders",
        "phases",
        "value",
        "part",
        "lat",
        "lon",
        "n",
        "count",
        "units",
        "demands",
        "failed",
        "runs",
        "short_cold",
        "before",
        "now",
        "per_day",
        "per_day_low",
        "per_day_high",
        "p",
        "starts",
        "below",
        "weeks",
        "chance",
    }
    ends = (
        "_h",
        "_s",
        "_v",
        "_hz",
        "_kw",
        "_kwh",
        "_pct",
        "_d",
        "_min",
        "_l",
        "_ah",
        "_c",
        "_share",
    )

    def walk(value: object, name: str) -> Iterator[str]:
        if isinstance(value, dict):
            for key, inner in value.items():
                if key not in ("register_facts", "facts", "parts"):
                    yield from walk(inner, key)
        elif isinstance(value, list):
            for inner in value:
                yield from walk(inner, name)
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield name

    names = set(walk(client.get(f"/api/units/{unit_id(FAILED)}").json(), ""))
    names |= set(walk(client.get(f"/api/units/{unit_id(0)}/runs").json(), ""))
    names |= set(walk(client.get("/api/due").json(), ""))
    assert {n for n in names if n not in free and not n.endswith(ends)} == set()


# --- readings, runs, starts ------------------------------------------------------------------


def readings(client: TestClient, **query: Any) -> dict[str, Any]:
    answer = client.get(f"/api/units/{unit_id(0)}/readings", params=query)
    assert answer.status_code == 200, answer.text
    item: dict[str, Any] = answer.json()["items"][0]
    return item


def test_few_readings_come_as_they_are(client: TestClient) -> None:
    item = readings(client, channel="battery_v", **{"from": "2026-11-25T00:00:00Z"})
    assert item["bucket_s"] is None
    assert item["unit"] == "V"
    # Every 30 min from midnight to 07:04, minute and phase of the seed: 07:05 - k * 30 min, and
    # the newest at NOW - 60 s.
    assert len(item["at"]) == len(item["value"]) == 15
    assert item["at"][-1] == "2026-11-25T07:04:00Z"
    assert all(datetime.fromisoformat(at).utcoffset() is not None for at in item["at"])


def test_many_readings_are_bucketed_and_no_extreme_is_lost(client: TestClient) -> None:
    window = {"from": "2026-10-26T00:00:00Z", "to": "2026-11-25T00:00:00Z"}
    coarse = readings(client, channel="battery_v", points=50, **window)
    fine = readings(client, channel="battery_v", points=5000, **window)
    assert coarse["bucket_s"] == 51_840  # 30 days / 50
    assert len(coarse["at"]) == 50
    kept = [v for v in coarse["max"] if v is not None]
    assert max(kept) == max(v for v in fine["max"] if v is not None)
    assert sum(coarse["count"]) == sum(fine["count"])
    empty = [i for i, n in enumerate(fine["count"]) if n == 0]
    assert empty
    assert all(fine["min"][i] is None and fine["mean"][i] is None for i in empty)


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ({}, "Name a channel"),
        ({"channel": "battery_v", "points": 5001}, "points"),
        ({"channel": "battery_v", "from": "2026-11-25T00:00:00"}, "zone"),
        ({"channel": "battery_v", "from": "yesterday"}, "from"),
        (
            {"channel": "battery_v", "from": "2026-11-25T00:00:00Z", "to": "2026-11-24T00:00:00Z"},
            "before",
        ),
        ({"channel": ",".join(f"c{n}" for n in range(9))}, "at most 8"),
    ],
)
def test_unfit_questions_are_answered_with_what_to_do(
    client: TestClient, query: dict[str, Any], says: str
) -> None:
    answer = client.get(f"/api/units/{unit_id(0)}/readings", params=query)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert says in answer.json()["detail"]


def test_runs_newest_first_and_paged(client: TestClient) -> None:
    page = client.get(f"/api/units/{unit_id(0)}/runs").json()
    starts = [run["start"] for run in page["items"]]
    assert len(starts) == 6  # planted: every 7 days from 4 days ago within 40 days
    assert starts == sorted(starts, reverse=True)
    # Planted runs are 20 min at one reading a minute, off at the reading after.
    assert {run["length_s"] for run in page["items"]} == {1200}
    first = client.get(f"/api/units/{unit_id(0)}/runs", params={"limit": 4}).json()
    rest = client.get(
        f"/api/units/{unit_id(0)}/runs", params={"limit": 4, "cursor": first["next"]}
    ).json()
    assert [r["start"] for r in first["items"] + rest["items"]] == starts
    assert rest["next"] is None


def test_a_run_that_goes_on_has_no_end(client: TestClient) -> None:
    newest = client.get(f"/api/units/{unit_id(RUNNING)}/runs").json()["items"][0]
    assert newest["end"] is None
    assert newest["length_s"] is None


def test_the_failed_start_is_listed(client: TestClient) -> None:
    newest = client.get(f"/api/units/{unit_id(FAILED)}/starts").json()["items"][0]
    assert (newest["at"], newest["end"]) == ("2026-11-25T06:12:00Z", "failed")
    assert newest["crank_min_v"] == 8.1


def test_due_and_alerts(client: TestClient) -> None:
    late = client.get("/api/due", params={"state": "late_beyond"}).json()["items"]
    assert {item["unit"] for item in late} == {unit_id(LATE)}
    mine = client.get(f"/api/units/{unit_id(LATE)}/due").json()["items"]
    assert [item["share"] for item in mine] == sorted((i["share"] for i in mine), reverse=True)
    alerts = client.get("/api/alerts").json()["items"]
    assert alerts[0]["severity"] == "act_now"
    failed = next(a for a in alerts if a["kind"] == "failed_start")
    assert failed["unit"] == unit_id(FAILED)
    assert [step["kind"] for step in failed["steps"]] == ["raised"]
    assert "Did not start" in failed["sentence"]


def test_quarantine_says_why(client: TestClient) -> None:
    (item,) = client.get("/api/quarantine").json()["items"]
    assert item["reason"].startswith("not JSON")
    assert item["fault_of"] == "device"


# --- scope -----------------------------------------------------------------------------------


def test_what_a_reader_may_not_see_does_not_exist(fleet: Fleet, client: TestClient) -> None:
    mine = customer_of(client, 0)
    reader = scoped(fleet, mine)
    assert [u["unit"] for u in reader.get("/api/units").json()["items"]] == [unit_id(0)]
    for path in ("", "/runs", "/starts", "/due", "/records", "/readings?channel=battery_v"):
        assert reader.get(f"/api/units/{unit_id(1)}{path}").status_code == 404, path
    assert reader.get(f"/charts/unit/{unit_id(1)}.json").status_code == 404
    assert reader.get(f"/units/{unit_id(1)}").status_code == 404
    assert reader.get("/api/alerts").json()["items"] == []
    assert {i["unit"] for i in reader.get("/api/due").json()["items"]} == {unit_id(0)}
    assert reader.get("/metrics").status_code == 403
    assert reader.get("/health-page").status_code == 403
    wrong = reader.post(f"/api/units/{unit_id(1)}/records", json=note())
    assert wrong.status_code == 403
    body = reader.get("/").text
    assert "Alder House" in body
    assert "Quay Cold Store" not in body


# --- records ---------------------------------------------------------------------------------

ID = "5f1d7a52-3d0f-4b44-9a0e-0b6f0c0a1b01"


def note(**more: object) -> dict[str, Any]:
    return {
        "id": ID,
        "at": "2026-11-24T10:00:00+01:00",
        "by": "Dee",
        "kind": "note",
        "text": "gate code changed",
    } | more


def test_a_record_is_kept_once_however_often_it_is_sent(client: TestClient) -> None:
    path = f"/api/units/{unit_id(7)}/records"
    first = client.post(path, json=note())
    assert first.status_code == 201, first.text
    assert first.json()["at"] == "2026-11-24T09:00:00Z"
    assert first.json()["facts"] == {"text": "gate code changed"}
    assert client.post(path, json=note()).status_code == 201
    assert [r["id"] for r in client.get(path).json()["items"]].count(ID) == 1


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({"kind": "hour_meter"}, "hours"),
        ({"kind": "hour_meter", "hours": -4}, "hours"),
        (
            {
                "kind": "meter_check",
                "channel": "ac_v",
                "meter": [0.0],
                "raw": [0.2],
                "instrument": "A",
            },
            "not energised",
        ),
        ({"kind": "task_done", "task": "no_such_task"}, "task"),
        ({"kind": "tea_break"}, "kind"),
        ({"at": "2026-11-24T10:00:00"}, "zone"),
        ({"by": ""}, "by"),
    ],
)
def test_a_record_that_cannot_be_taken_says_why(
    client: TestClient, sent: dict[str, Any], says: str
) -> None:
    given = note() | {"id": None, "text": None} | sent
    answer = client.post(f"/api/units/{unit_id(7)}/records", json=given)
    assert answer.status_code == 422, answer.text
    assert says in answer.json()["detail"]


# --- problem details, headers, who may send ---------------------------------------------------


@pytest.mark.parametrize("path", ["/api/nothing", "/api/units/none-such", "/static/none.css"])
def test_errors_for_programs_are_problem_details(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    # RFC 9457, section 3.1: type, title, status, detail, instance; about:blank has the status's title.
    assert (body["type"], body["title"], body["status"]) == ("about:blank", "Not Found", 404)
    assert body["instance"] == path
    assert body["detail"]


class Broken:
    """A history that fails in a given way."""

    def __init__(self, fault: Exception) -> None:
        self.fault = fault

    def window(self, *_: object, **__: object) -> None:
        raise self.fault

    series = window


def with_history(fleet: Fleet, history: object) -> TestClient:
    app = create_app(fleet.settings, fleet.registry, history, now=lambda: NOW)  # type: ignore[arg-type]
    as_owner(app)
    return TestClient(app, base_url=HERE, raise_server_exceptions=False)


def test_a_fault_of_ours_tells_no_trace(fleet: Fleet) -> None:
    client = with_history(fleet, Broken(RuntimeError("secret path /etc")))
    for path in (f"/api/units/{unit_id(0)}/readings?channel=battery_v", f"/units/{unit_id(0)}"):
        answer = client.get(path)
        assert answer.status_code == 500
        assert "secret" not in answer.text
        assert "Traceback" not in answer.text
    body = client.get(f"/api/units/{unit_id(0)}/readings?channel=battery_v").json()
    assert body["title"] == "Internal Server Error"


def test_a_store_that_is_away_takes_only_its_picture_with_it(fleet: Fleet) -> None:
    client = with_history(fleet, Broken(StoreDown("disk full at /secret")))
    answer = client.get(f"/api/units/{unit_id(0)}/readings?channel=battery_v")
    assert answer.status_code == 503
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret" not in answer.text
    page = client.get(f"/units/{unit_id(0)}")
    assert page.status_code == 200
    assert "Last readings" in page.text


def test_every_answer_carries_the_policy(client: TestClient) -> None:
    for path in ("/", "/api/units", "/api/nothing", "/nothing", "/health"):
        headers = client.get(path).headers
        for name, value in HEADERS.items():
            assert headers[name] == value, (path, name)
    assert "unsafe" not in POLICY


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec-fetch-site": "same-origin"}, 303),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"origin": HERE}, 303),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"referer": HERE + "/units/x"}, 303),
        ({}, 403),
    ],
)
def test_a_form_from_elsewhere_changes_nothing(
    client: TestClient, headers: dict[str, str], status: int
) -> None:
    sent = form(
        id="5f1d7a52-3d0f-4b44-9a0e-0b6f0c0a1b02", at="2026-11-24T10:00", by="Dee", text="x"
    )
    path = f"/units/{unit_id(8)}/record/note"
    before = client.get(f"/api/units/{unit_id(8)}/records").json()["items"]
    answer = client.post(path, data=sent, headers=headers, follow_redirects=False)
    assert answer.status_code == status
    if status == 403:
        assert client.get(f"/api/units/{unit_id(8)}/records").json()["items"] == before


def test_other_names_of_this_machine_are_refused(client: TestClient) -> None:
    """A page elsewhere that points its own name at 127.0.0.1 (rebinding) reads nothing."""
    answer = client.get("/api/units", headers={"host": "evil.example:8080"})
    assert answer.status_code == 421
    assert client.get("/api/units", headers={"host": "localhost:8080"}).status_code == 200


def test_a_body_too_large_is_refused(client: TestClient) -> None:
    answer = client.post(
        f"/api/units/{unit_id(7)}/records",
        content=b"x" * 1_000_001,
        headers={"content-type": "application/json"},
    )
    assert answer.status_code == 413


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.5", "::", "example.org", ""])
def test_the_demonstration_is_served_to_this_machine_only(tmp_path: object, host: str) -> None:
    settings = Settings(data=tmp_path, http_host=host, demo=True)  # type: ignore[arg-type]
    with pytest.raises(NotLoopback, match=r"127\.0\.0\.1"):
        create_app(settings)


# --- OpenAPI, health, metrics ------------------------------------------------------------------


def test_openapi_lists_what_is_built_and_no_page(client: TestClient) -> None:
    paths = set(client.get("/api/openapi.json").json()["paths"])
    assert paths == {
        "/api/units",
        "/api/devices/{device}/wire",
        "/api/units/{unit}/hours",
        "/api/units/{unit}/known",
        "/api/units/{unit}",
        "/api/units/{unit}/readings",
        "/api/units/{unit}/runs",
        "/api/units/{unit}/starts",
        "/api/units/{unit}/exercise",
        "/api/units/{unit}/supply",
        "/api/units/{unit}/running-signal",
        "/api/units/{unit}/due",
        "/api/units/{unit}/records",
        "/api/due",
        "/api/alerts",
        "/api/outages",
        "/api/readiness",
        "/api/quarantine",
        "/health",
        "/metrics",
        "/api/jobs",
        "/api/jobs/{id}",
        "/api/rounds",
    }


def test_health_names_programs_that_were_not_seen(client: TestClient) -> None:
    body = client.get("/health").json()
    assert body["status"] == "attention"
    assert {p["program"]: p["state"] for p in body["programs"]}["ingest"] == "never"
    assert body["devices_unregistered"] == 1
    assert body["inbox_waiting_bytes"] == 12_000_000


SAMPLE = re.compile(r'^[a-z_]+(\{[a-z]+="[a-z_]+"\})? -?[0-9.e+]+$')


def test_metrics_are_prometheus_text(client: TestClient) -> None:
    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    lines = answer.text.splitlines()
    assert 'hourhand_units_by_severity{severity="act_now"} 2' in lines
    assert all(line.startswith("# ") or SAMPLE.match(line) for line in lines), lines


def test_ages_in_metrics_are_counted_from_now() -> None:
    facts = HealthFacts(
        heartbeats={"ingest": (90, {}), "scheduler": (40, {})},
        inbox=(),
        units=1,
        devices=1,
        unregistered=0,
        devices_ignored=0,
        touches_device=2,
        touches_unit=3,
        oldest_touch_at=None,
        newest_heard_at=70,
        open_episodes=0,
        quarantined=1,
        quarantined_over=4,
        facts_version=1,
    )
    none = Counts(units=1, by_condition={}, by_severity={}, not_assessed=1)
    text = service.exposition(facts, none, now=100)
    assert 'hourhand_heartbeat_age_seconds{program="ingest"} 10' in text
    assert 'hourhand_heartbeat_age_seconds{program="scheduler"} 60' in text
    assert "hourhand_newest_message_age_seconds 30" in text
    assert "hourhand_touches_waiting 5" in text
    assert "hourhand_quarantined_messages 5" in text


def test_the_chart_of_a_unit_is_typed_and_local(client: TestClient) -> None:
    import plotly.graph_objects as go

    answer = client.get(f"/charts/unit/{unit_id(0)}.json", params={"days": 30, "points": 300})
    assert answer.status_code == 200
    drawn = go.Figure(answer.json())
    assert "Battery" in [trace.name for trace in drawn.data]
    assert len(answer.content) < 150_000
    closer = client.get(
        f"/charts/unit/{unit_id(0)}.json",
        params={"from": "2026-11-24 06:00:00.5", "to": "2026-11-24T18:00"},
    ).json()
    start, end = closer["layout"]["xaxis"]["range"]
    assert (end - start) / 3_600_000 == 12
    assert client.get(f"/charts/unit/{unit_id(0)}.json?from=x&to=y").status_code == 422


def test_readings_without_numbers_are_null() -> None:
    from dashboard.views.series import nulls

    assert nulls(np.array([1.0, np.nan])) == [1.0, None]


def test_the_program_refuses_to_show_the_demonstration_to_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("HOURHAND_HTTP_HOST", "0.0.0.0")
    monkeypatch.setenv("HOURHAND_DEMO", "true")
    assert main(["--data", str(tmp_path)]) == 2
    assert "127.0.0.1 only" in capsys.readouterr().err


def test_health_of_a_program_that_is_not_there_is_not_well(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--data", str(tmp_path), "--port", "9", "--health"]) == 1
    assert "does not answer" in capsys.readouterr().err
