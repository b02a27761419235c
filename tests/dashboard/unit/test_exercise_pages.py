"""Exercise on the Unit and Due pages and in the API, through registry, store and turns."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from seeding import NOW, Fleet, _row, seed, unit_id

from dashboard import svg
from dashboard.app import create_app
from dashboard.views.exercise import VERDICTS, agreed, tally
from fleet.model import RunningSignal, SignalChannel, Unit
from fleet.registry.register import import_units
from scheduler.rules.exercise import ExerciseVerdict
from scheduler.turns import Memory, work_through

HERE = "http://127.0.0.1:8080"
ON_TIME, OTHER_DAY, SHORT = 0, 7, 8
"""The seeded sets run on Saturdays (UTC) at 05:05 less n hours, 20 min, attempts not counted."""


def rules() -> list[dict[str, Any]]:
    rows = [_row(n) for n in (ON_TIME, OTHER_DAY, SHORT)]
    for row, day, clock, minutes in zip(
        rows, ("SA", "TU", "FR"), ("0505", "1000", "2105"), (20, 20, 40), strict=True
    ):
        first = {"SA": "20261003", "TU": "20261006", "FR": "20261002"}[day]
        row["exercise"] = f"DTSTART:{first}T{clock}00 RRULE:FREQ=WEEKLY;BYDAY={day}"
        row["exercise_minutes"] = minutes
        row["placement"] = "outdoors"
    return rows


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    made = seed(tmp_path_factory.mktemp("exercise"))
    report = import_units(made.registry, rules(), NOW, "test")
    assert report.ok, report.problems
    work_through(made.registry, made.history, NOW, Memory())
    yield made
    made.registry.close()
    made.history.store.close()


@pytest.fixture(scope="module")
def client(fleet: Fleet) -> TestClient:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    return TestClient(app, base_url=HERE)


def test_the_api_tells_verdicts_with_what_they_stand_on(client: TestClient) -> None:
    body = client.get(f"/api/units/{unit_id(ON_TIME)}/exercise").json()
    assert body["rule"].startswith("DTSTART:20261003T050500")
    newest = body["items"][0]
    assert (newest["wall"], newest["verdict"]) == ("2026-11-21T05:05", "done")
    assert newest["run_start"] == "2026-11-21T05:05:00Z"
    assert body["next_wall"] == "2026-11-28T05:05"
    assert body["years"][0]["year"] == 2026
    assert body["years"][0]["exercise_h"] > 1.5
    assert client.get("/api/units/nobody/exercise").status_code == 404
    none = client.get(f"/api/units/{unit_id(1)}/exercise").json()
    assert (none["rule"], none["items"]) == ("", [])


def test_a_runs_reason_is_joined_where_it_is_read(client: TestClient) -> None:
    """The stored day says by hand (no attempt counted); the agreed exercise says otherwise."""
    runs = client.get(f"/api/units/{unit_id(ON_TIME)}/runs").json()["items"]
    newest = next(r for r in runs if r["start"] == "2026-11-21T05:05:00Z")
    assert (newest["why"], newest["by_itself"]) == ("exercise", "likely")
    page = client.get(f"/units/{unit_id(ON_TIME)}").text
    assert "perhaps exercise" in page
    other = client.get(f"/api/units/{unit_id(1)}/runs").json()["items"]
    assert {(r["why"], r["by_itself"]) for r in other} == {("by_hand", "no")}


def test_the_unit_page_says_it_in_words_with_the_evidence_one_click_away(
    client: TestClient,
) -> None:
    page = client.get(f"/units/{unit_id(ON_TIME)}").text
    panel = page[page.index('id="exercise"') :]
    panel = panel[: panel.index("</section>")]
    assert "Agreed: every Saturday at 05:05, 20 min." in panel
    assert re.search(r'<svg class="exstrip".*aria-label="The last \d+: \d+ done"', panel)
    assert '<details id="exercise-why"><summary>' in panel
    assert "Hours by reason" in panel
    assert "40 CFR 63 subpart ZZZZ" in panel
    assert "Not under NFPA 110" in panel
    assert "non-compliant" not in page
    nobody = client.get(f"/units/{unit_id(1)}").text
    assert "No exercise is agreed" in nobody


def test_missed_and_short_stand_on_due_as_reminders(client: TestClient) -> None:
    page = client.get("/due").text
    reminders = page[page.index('id="reminders"') :]
    assert f'href="/units/{unit_id(OTHER_DAY)}"' in reminders
    assert "Did not run its exercise agreed for Tue 10:00" in reminders
    assert f'href="/units/{unit_id(SHORT)}"' in reminders
    assert "Exercise cut short" in reminders
    assert "For the installer and customer." in reminders
    assert f'href="/units/{unit_id(ON_TIME)}"' not in reminders
    assert "It can start by itself" in reminders


def plain(**fields: Any) -> Unit:
    signal = RunningSignal(first=SignalChannel("ac_v", 200, 180))
    return Unit(
        id="u",
        site="s",
        customer="c",
        nominal_v=230,
        nominal_hz=50,
        running=signal,
        service_plan="p",
        **fields,
    )


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ("FREQ=WEEKLY;BYDAY=TU", "every Tuesday at 10:00"),
        ("FREQ=WEEKLY", "every week at 10:00"),
        ("FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,TH", "every 2 weeks on Monday and Thursday at 10:00"),
        ("FREQ=MONTHLY", "on day 6 of every month at 10:00"),
        ("FREQ=DAILY;INTERVAL=3", "every 3 days at 10:00"),
        ("FREQ=MONTHLY;BYDAY=1TU", "by its rule (FREQ=MONTHLY;BYDAY=1TU), first at 10:00"),
    ],
)
def test_what_was_agreed_in_words(rule: str, said: str) -> None:
    assert agreed(plain(exercise=f"DTSTART:20260106T100000\nRRULE:{rule}")) == said
    assert agreed(plain()) == ""


def test_every_verdict_has_a_shape_and_a_word() -> None:
    assert set(svg.STRIP_SHAPES) == set(VERDICTS)
    picture = svg.verdict_strip(list(VERDICTS), 'x"y')
    assert picture.count("<svg") == 1 + len(VERDICTS)
    assert 'aria-label="x&#34;y"' in picture
    one = ExerciseVerdict(due_at=0, wall="", expected_at=0, verdict="done")
    assert tally([one, one]) == "The last 2: 2 done"
