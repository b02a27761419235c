"""Volts and hertz on the set's page, and every set out of tolerance on one page, worst first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from fastapi.testclient import TestClient
from found import finding as made
from one_unit import UNIT
from seeding import NOW, Fleet, seeded, unit_id

from dashboard.app import create_app
from dashboard.views import supply as supply_words
from dashboard.views import tolerance
from dashboard.views.contract import model
from dashboard.views.named import SetName
from dashboard.views.supply import MeasuredView, measured_view
from fleet import words
from fleet.findings import KINDS, ROWS
from fleet.model import EngineHours, Finding, Habit, UnitSummary
from scheduler.assess import Assessment
from scheduler.rules.supply import Band, Drift, Measured, SupplySeen

ZONE = "Europe/London"
BAND = Band(nominal=50.0, low=47.9, high=52.1, steady_pct=2.5, by="no class known")
DRIFT = Drift(
    runs=40,
    base=8,
    from_at=NOW - 300 * 86_400,
    to_at=NOW - 86_400,
    moved=-0.9,
    per_month=-0.1,
    low=-0.12,
    high=-0.08,
    share=0.43,
    by="droop line",
    found=True,
    crosses_from=NOW + 60 * 86_400,
    crosses_at=NOW + 90 * 86_400,
    crosses_to=NOW + 120 * 86_400,
)
HERTZ = Measured(
    quantity="hertz",
    channel="frequency_hz",
    band=BAND,
    last=49.22,
    last_at=NOW - 86_400,
    n=17,
    width_pct=0.4,
    usual_low=49.4,
    usual_high=50.6,
    runs=40,
    drift=DRIFT,
    points=((NOW - 90_000, 49.3), (NOW - 88_000, 49.25), (NOW - 86_400, 49.22)),
)


def verdict(**over: Any) -> Assessment:
    summary = UnitSummary(
        unit="U",
        at=NOW,
        condition="standing_by",
        condition_since=None,
        heard_at=NOW,
        newest_at=NOW,
        hours=EngineHours(hours_h=None, source="none"),
    )
    return Assessment(
        unit="U",
        at=NOW,
        summary=summary,
        hours=summary.hours,
        habit=Habit(),
        gap_s=180,
        silent_limit_s=1200,
        look_again_at=NOW + 60,
        supply=SupplySeen(hertz=HERTZ, **over),
    )


NAME = SetName(id="U", title="Mill", short="Mill", customer="", address="", area="", site="S")


def rows_of(seen: Assessment) -> dict[str, str]:
    panel = supply_words.panel(UNIT, seen, ZONE, NOW)
    assert panel is not None
    return dict(panel.measured[0].rows)


def test_the_panel_says_band_usual_and_when_it_leaves() -> None:
    rows = rows_of(verdict())
    assert rows["Band"] == "47.90 to 52.10 Hz, no class known"
    assert rows["Usual here"] == "49.40 to 50.60 Hz, 40 runs of a year"
    assert rows["Steadiness"] == "0.4 % wide inside the run, 2.5 % allowed"
    assert rows["Over time"].startswith("−0.90 Hz against the first 8 of 40 runs; its load")
    assert "between 24 Jan 2027 and 25 Mar 2027" in rows["Over time"]


def test_what_cannot_be_said_is_said_so() -> None:
    few = msgspec.structs.replace(
        HERTZ, n=2, not_judged="too few samples", drift=None, drift_not_judged="5 of 9 like runs"
    )
    seen = verdict()
    seen = msgspec.structs.replace(seen, supply=SupplySeen(hertz=few, standing_untold=True))
    panel = supply_words.panel(UNIT, seen, ZONE, NOW)
    assert panel is not None
    (entry,) = panel.measured
    assert entry.not_judged == "too few samples to judge the newest run"
    assert dict(entry.rows)["Over time"] == "not judged: 5 of 9 like runs"
    assert "Steadiness" not in dict(entry.rows)
    assert "could not be told" in panel.notes[0]
    assert supply_words.panel(UNIT, None, ZONE, NOW) is None


def test_a_drift_without_a_date_names_none() -> None:
    slow = msgspec.structs.replace(DRIFT, crosses_from=None, crosses_at=None, crosses_to=None)
    said = supply_words.over_time(msgspec.structs.replace(HERTZ, drift=slow), ZONE, NOW)
    assert said.endswith("43% of the way to its limit; too slow to name a date")


def finding(kind: str, severity: str, share: float = 0.0, since: int = NOW) -> Finding:
    facts = {
        "worst": 54.0,
        "value": 53.0,
        "low": 47.9,
        "high": 52.1,
        "nominal": 50.0,
        "by": "x",
        "share": share,
        "volts": 231.0,
        "moved": 1.0,
        "runs": 20,
        "from_at": NOW - 86_400,
        "width_hz": 2.0,
        "limit_hz": 1.25,
        "of": 3,
        "pct": 4.0,
        "limit_pct": 3.0,
        "nominal_v": 230.0,
        "runs_at": 208.0,
    }
    known = {field.encode_name for field in msgspec.structs.fields(KINDS[kind])}
    facts = {name: value for name, value in facts.items() if name in known}
    return made(kind, severity=severity, since=since, facts=facts)  # type: ignore[arg-type]


def test_the_worst_comes_first() -> None:
    found = [
        finding("wrong_nominal", "note"),
        finding("frequency_drift", "next_visit", 0.4),
        finding("frequency_drift", "next_visit", 0.9),
        finding("voltage_out", "note", 1.6),
        finding("voltage_out", "same_day", 1.1),
        finding("voltage_out", "same_day", 1.4),
        finding("volts_standing", "act_now"),
        finding("hunting", "next_visit", 1.5),
    ]
    lines = sorted(
        (tolerance.line(NAME, f, ZONE, NOW, words.sentence) for f in found),
        key=lambda line: line.order,
    )
    assert [(line.group, line.share) for line in lines] == [
        ("Danger", ""),
        ("Out of tolerance", "140% of the way"),
        ("Out of tolerance", "110% of the way"),
        ("Out of tolerance", "160% of the way"),
        ("Drifting out", "90% of the way"),
        ("Drifting out", "40% of the way"),
        ("Unsteady or unbalanced", "150% of the way"),
        ("To look into", ""),
    ]


def test_every_kind_has_a_place_on_the_page() -> None:
    kinds = [row.kind for row in ROWS if row.family == "supply"]
    placed = {
        tolerance.line(NAME, finding(kind, "note"), ZONE, NOW, words.sentence).group
        for kind in kinds
    }
    assert placed == set(tolerance.GROUPS)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("supply")) as made:
        yield made


def test_a_quiet_fleet_says_what_would_stand_there(fleet: Fleet) -> None:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        page = client.get("/tolerance").text
        assert "All within tolerance" in page
        assert 'href="/tolerance"' in client.get("/more").text
        assert 'href="/tolerance"' in client.get("/").text
        unit = client.get(f"/units/{unit_id(0)}").text
        assert "Volts and hertz" in unit
        assert "207 to 253 V" in unit


def test_a_program_reads_the_same(fleet: Fleet) -> None:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        told = client.get(f"/api/units/{unit_id(0)}/supply").json()
        assert (told["volts"]["low"], told["volts"]["high"]) == (207.0, 253.0)
        assert told["volts"]["unit"] == "V"
        assert told["hertz"]["last"] == pytest.approx(50.6, abs=0.2)
        assert told["hertz"]["drift"] is None
        assert told["hertz"]["drift_not_judged"].endswith("of 9 like runs")
        assert told["standing_untold"] is True
        assert told["out_at_last_run"] is False
        assert client.get("/api/units/nobody/supply").status_code == 404


def test_a_drift_is_told_with_its_dates() -> None:
    told = model(MeasuredView).model_validate(measured_view(HERTZ)).model_dump(mode="json")
    assert told["unit"] == "Hz"
    assert told["drift"]["per_month_low"] == -0.12
    assert told["drift"]["crosses_at"].endswith("Z")
