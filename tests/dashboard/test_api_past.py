"""What programs ask of the past: older exercises, hours then, what was known then, what was refused."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from as_viewer import as_owner, as_reader
from fastapi.testclient import TestClient
from house import DAY, T0, House, make, row
from replayed import settings

from dashboard.app import create_app
from fleet.history import History
from fleet.model import EVERYTHING, Quarantined, Reading
from fleet.registry import lists, unscoped
from fleet.registry.facts.rows import PulseBatch
from fleet.registry.register import import_units
from hourhand.recorded import Following
from scheduler import assess

HERE = "http://127.0.0.1:8080"
WEEKS = 20
NOW = T0 + WEEKS * 7 * DAY


def iso(at: int) -> str:
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def exercised(folder: Path) -> House:
    """A set that runs an hour each Tuesday at eleven, and whose meter says so."""
    first = datetime.fromtimestamp(T0, UTC)
    rule = f"DTSTART:{first:%Y%m%d}T110000 RRULE:FREQ=WEEKLY"
    made = make(folder, row("u1", time_zone="UTC", exercise=rule, exercise_minutes=60))
    readings, hours = [], 100.0
    for day in range(WEEKS * 7):
        at, beyond = T0 + day * DAY, T0 + (day + 1) * DAY
        while at < beyond:
            on = day % 7 == 0 and 11 * 3600 <= at % DAY < 12 * 3600
            hours += 1 / 60 if on else 0
            values = {"ac_v": 231.0 if on else 0.0, "run_hours_h": round(hours, 1)}
            readings.append(Reading("u1", at, values))
            at += 60 if on else 1800
    made.hear(readings, at=NOW)
    made.turn(NOW)
    return made


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder = tmp_path_factory.mktemp("past")
    made = exercised(folder)
    app = create_app(settings(folder), made.registry, made.history, now=lambda: NOW)
    as_owner(app)
    with TestClient(app, base_url=HERE) as opened:
        opened.app_state["house"] = made
        yield opened
    made.store.close()
    made.registry.close()


def test_exercises_beyond_the_newest_twelve(client: TestClient) -> None:
    first = client.get("/api/units/u1/exercise").json()
    assert len(first["items"]) == 12
    assert first["next"] is not None
    rest = client.get("/api/units/u1/exercise", params={"cursor": first["next"]}).json()
    dues = [item["due_at"] for item in first["items"] + rest["items"]]
    assert dues == sorted(set(dues), reverse=True)
    assert len(dues) == WEEKS
    assert rest["next"] is None
    whole = client.get("/api/units/u1/exercise", params={"limit": 500}).json()
    assert whole["items"] == first["items"] + rest["items"]
    assert {item["verdict"] for item in whole["items"]} == {"done"}
    few = client.get("/api/units/u1/exercise", params={"limit": 5}).json()
    assert few["items"] == first["items"][:5]
    assert few["next"] == str(int(datetime.fromisoformat(few["items"][-1]["due_at"]).timestamp()))


@pytest.mark.parametrize("week", [0, 3, 11, 19])
def test_hours_at_a_past_moment(client: TestClient, week: int) -> None:
    at = T0 + week * 7 * DAY + 2 * DAY
    told = client.get("/api/units/u1/hours", params={"at": iso(at)}).json()
    assert told["hours_h"] == pytest.approx(101.0 + week, abs=0.1)
    assert (told["at"], told["source"]) == (iso(at), "meter")


def test_hours_before_anything_was_heard_and_ahead(client: TestClient) -> None:
    early = client.get("/api/units/u1/hours", params={"at": iso(T0 - DAY)}).json()
    assert early["hours_h"] is None
    assert client.get("/api/units/u1/hours", params={"at": iso(NOW + DAY)}).status_code == 422
    assert (
        client.get("/api/units/u1/hours", params={"at": "2024-10-04T00:00:00"}).status_code == 422
    )
    assert client.get("/api/units/u9/hours", params={"at": iso(T0)}).status_code == 404


def test_a_service_keeps_no_past(client: TestClient) -> None:
    for path in ("/api/units", "/api/alerts", "/api/units/u1/known"):
        answer = client.get(path, params={"as_of": iso(NOW)})
        assert answer.status_code == 409, path
        assert "hourhand replay --as-recorded" in answer.text


def test_what_was_refused_of_a_device_by_reason(client: TestClient) -> None:
    made = client.app_state["house"]
    bad = [
        Quarantined(
            device="u1",
            topic="hourhand/main/u1/readings",
            received_at=NOW - n,
            reason="not JSON" if n % 3 else "the time is wrong",
            payload=f"<{n}>".encode(),
        )
        for n in range(9)
    ]
    unscoped.pulse(made.registry, PulseBatch(now=NOW, pulses=[], touched={}, quarantined=bad))
    told = client.get("/api/devices/u1/wire").json()
    assert [(one["reason"], one["messages"]) for one in told["refused"]] == [
        ("not JSON", 6),
        ("the time is wrong", 3),
    ]
    assert told["refused"][0]["example"]["payload"].startswith("<")
    assert (told["unit"], told["refused_not_kept"], told["forgiven"]) == ("u1", 0, {})
    assert client.get("/api/devices/nobody/wire").status_code == 404


def followed(folder: Path) -> tuple[Path, int, int]:
    """A folder in which a set was followed whose run of two hours was heard three hours late."""
    lines, kept = [], []
    cut, came = T0 + 6 * 3600, T0 + 11 * 3600
    for n in range(14 * 6):
        at = T0 + 600 * n
        on = cut <= at < cut + 7200
        values = {"ac_v": 231.0 if on else 0.0, "battery_v": 13.4}
        values["run_hours_h"] = round(100 + min(2.0, max(0.0, (at - cut) / 3600)), 1)
        told = {"at": iso(at), "values": values}
        if cut <= at < came:
            kept.append(told)
            continue
        sent = [*kept, told]
        kept = []
        line = {"received_at": at + 1, "topic": "hourhand/main/u1/readings", "payload": sent}
        lines.append(json.dumps(line) + "\n")
    file = folder / "late.jsonl"
    file.write_text("".join(lines))
    with Following(settings(folder / "data")) as following:
        report = import_units(following.registry, [row("u1"), row("u2", customer="B")], T0, "test")
        assert report.ok, report.problems
        following.follow([file])
    return folder / "data", cut + 7200, came


def test_as_of_answers_what_was_known_then(tmp_path: Path) -> None:
    data, ended, came = followed(tmp_path)
    with Following(settings(data)) as following:
        registry = following.registry
        history = History(registry, following._store)
        app = create_app(settings(data), registry, history, now=lambda: NOW)
        as_owner(app)
        with TestClient(app, base_url=HERE) as client:
            query = {"as_of": iso(ended + 1800)}
            then = client.get("/api/units/u1/known", params=query).json()
            assert then["unit"]["condition"] == "not_reporting"
            assert then["unit"]["engine_hours"]["hours_h"] == pytest.approx(100.0, abs=0.1)
            assert then["unit"]["last_run"] is None
            assert then["unit"]["readiness"]["state"] == "unknown"
            assert [a["kind"] for a in then["alerts"]] == ["not_reporting"]
            listed = client.get("/api/units", params=query).json()["items"]
            assert listed[0] == then["unit"]
            assert client.get("/api/alerts", params=query).json()["items"] == then["alerts"]
            later = {"as_of": iso(came + 1800)}
            now = client.get("/api/units/u1/known", params=later).json()
            assert now["unit"]["condition"] == "standing_by"
            assert now["unit"]["engine_hours"]["hours_h"] == pytest.approx(102.0, abs=0.1)
            assert now["unit"]["last_run"]["start"] == iso(ended - 7200)
            early = client.get("/api/units/u1/known", params={"as_of": iso(T0 - DAY)}).json()
            assert (early["known_at"], early["alerts"]) == (None, [])
            assert early["unit"]["condition"] is None
            refused = client.get("/api/units", params={**query, "condition": "running"})
            assert refused.status_code == 422
        readers = create_app(settings(data), registry, history, now=lambda: NOW)
        as_reader(readers, "b")
        with TestClient(readers, base_url=HERE) as client:
            assert client.get("/api/units/u1/known", params=query).status_code == 404
            assert client.get("/api/alerts", params=query).json()["items"] == []


def test_the_newest_known_is_what_the_registry_holds(tmp_path: Path) -> None:
    data, _, _ = followed(tmp_path)
    with Following(settings(data)) as following:
        doc = lists.assessment(following.registry, EVERYTHING, "u1")
        verdict = assess.read(doc)
        then = following._past.summary("u1", NOW)
    assert verdict is not None
    assert then is not None
    assert (then.condition, then.hours, then.findings) == (
        verdict.summary.condition,
        verdict.summary.hours,
        verdict.summary.findings,
    )
