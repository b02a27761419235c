"""The starter battery on the Unit page and in the API, through registry, store and turns."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import pytest
from batteries import DAY_S, Planted, floating, lost, run_days, sagging, then, verdict
from fastapi.testclient import TestClient
from one_unit import T0, UNIT
from seeding import NOW, Fleet, seed, unit_id

from dashboard.app import create_app
from dashboard.views import battery as battery_words
from scheduler.assess import Assessment
from scheduler.rules.battery import BatteryTrend, Verdict
from scheduler.turns import Memory, work_through

HERE = "http://127.0.0.1:8080"
ZONE = "Europe/Madrid"
WEEKLY = tuple(range(3, 60, 7))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    made = seed(tmp_path_factory.mktemp("battery"))
    work_through(made.registry, made.history, NOW, Memory())
    yield made
    made.registry.close()
    made.history.store.close()


@pytest.fixture(scope="module")
def client(fleet: Fleet) -> TestClient:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    return TestClient(app, base_url=HERE)


def test_the_page_says_how_the_battery_is(client: TestClient) -> None:
    page = client.get(f"/units/{unit_id(0)}").text
    assert '<section class="panel" id="battery"' in page
    assert "What it stands on" in page.split('id="battery"')[1].split("</section>")[0]


def test_the_api_tells_the_three_looks(client: TestClient) -> None:
    body = client.get(f"/api/units/{unit_id(0)}").json()["battery"]
    assert body["verdict"] in Verdict.__args__  # type: ignore[attr-defined]
    assert {"rest", "charge", "cranking", "trend"} <= body.keys()
    assert body["volts_at"].endswith("Z")


def shown(planted: Planted, bare: bool = False) -> tuple[Assessment, dict[str, str], list[str]]:
    unit = msgspec.structs.replace(UNIT, charger="none") if bare else UNIT
    found = verdict(planted, unit, calibrations=())
    panel = battery_words.panel(found, run_days(planted, unit), ZONE, found.at)
    assert panel is not None
    return found, dict(panel.rows), panel.evidence


def test_a_set_on_its_charger_is_never_said_to_rest() -> None:
    _, rows, evidence = shown(Planted(volts=floating, runs=WEEKLY))
    assert rows["At rest"] == "not seen: it is on charge"
    assert rows["Charger"] == "a float charger, as its volts tell"
    assert rows["Cranking"].startswith("not measured")
    assert any("No meter" in line for line in evidence)


def test_a_lost_charger_in_words() -> None:
    found, rows, _ = shown(Planted(volts=then(floating, 30, lost)))
    assert "it does not charge now" in rows["Charger"]
    assert rows["At rest"].startswith("12.")
    panel = battery_words.panel(found, (), ZONE, found.at)
    assert panel is not None
    assert panel.bad
    assert panel.verdict == "Charger fault"


def test_days_left_are_never_said_narrower_than_they_are() -> None:
    found, rows, _ = shown(Planted(volts=sagging(0.02), days=20), bare=True)
    low, high = found.battery.charge.days_left_low, found.battery.charge.days_left_high
    assert low is not None
    assert high is not None
    said = rows["Charger"].rsplit("from ", 1)[1].split(" to ")
    assert int(said[0]) <= low
    assert int(said[1]) >= high


def test_a_trend_names_its_interval() -> None:
    falls = BatteryTrend(
        measure="cranking",
        per_month_v=-0.07,
        low_v=-0.09,
        high_v=-0.05,
        falling=True,
        chance=1e-4,
        weeks=30,
        from_at=T0,
        to_at=T0 + 210 * DAY_S,
        crosses_at=T0 + 300 * DAY_S,
        crosses_from=T0 + 250 * DAY_S,
    )
    said = battery_words.over_time(falls, ZONE)
    assert said.startswith("falling, 0.05 to 0.09 V a month over 30 weeks")
    assert "at the earliest" in said
    assert "at the latest" not in said
    still = msgspec.structs.replace(falls, falling=False)
    assert battery_words.over_time(still, ZONE) == "no fall to be sure of in 30 weeks"
