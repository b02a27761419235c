"""The top of a unit's page, its fuel and mains, and its last start beside a healthy one."""

from __future__ import annotations

import re
from collections.abc import Iterator

import msgspec
import numpy as np
import pytest
from as_viewer import as_owner
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from one_unit import T0, inputs
from readiness_lives import WEEKLY, life
from seeding import FAILED, NOW, Fleet, seed, unit_id

from dashboard import svg
from dashboard.app import create_app
from dashboard.views import last_start
from dashboard.views import readiness as answer
from fleet.model import EVERYTHING, Calibration, DeviceEvent, MainsNow, ReadinessNow, Run
from fleet.registry import unscoped
from fleet.registry.facts.rows import PulseBatch
from scheduler.rules.battery import BatterySeen, CrankLook
from scheduler.rules.fuel import FuelSeen
from scheduler.rules.mains import Outage

DAY = 86_400


def test_a_ready_set_says_its_proof_and_what_is_not_seen() -> None:
    verdict = life()
    top = answer.panel(verdict.summary, verdict, "Europe/Madrid", verdict.at, EVERYTHING)
    assert top.state == "ready"
    assert top.said == "Started by itself 2 hours ago and made 231 V."
    facts = dict(top.facts)
    assert facts["Mains here"].startswith("On; no loss seen since ")
    assert facts["Fuel"] == "Not seen: its level is not measured."
    assert facts["Not seen"].startswith("fuel,")
    assert top.limits == []


def test_what_else_and_what_limits_it_is_said() -> None:
    verdict = life(records=(), until=20 * DAY)
    top = answer.panel(verdict.summary, verdict, "Europe/Madrid", verdict.at, EVERYTHING)
    assert top.said.startswith("Not proven for 20 days")
    assert "Also taken over, and its readings are not yet checked with a meter." in top.others
    assert top.limits == [], "said once"
    failed = msgspec.structs.replace(
        verdict.summary, readiness=ReadinessNow(state="not_ready", why="failed_start", since=T0)
    )
    assert "No meter has been on its volts yet" in answer.limits(failed, "UTC", T0)[0]
    new = life(weeks=1)
    assert "being learned until" in answer.limits(new.summary, "UTC", new.at)[0]


def test_a_set_nobody_has_looked_at() -> None:
    assert answer.panel(None, None, "UTC", NOW, EVERYTHING) == answer.ReadinessPanel(
        state="unknown",
        said="It has not been looked at yet.",
        others=[],
        facts=[],
        limits=[],
    )


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        (FuelSeen(by="supplied"), "Mains gas, supplied from outside."),
        (FuelSeen(), "Not seen: its level is not measured."),
        (
            FuelSeen(level_pct=60.0, reason="no chart for its fuel"),
            "60 %; how long it lasts is not known: no chart for its fuel.",
        ),
        (
            FuelSeen(level_pct=60.0, hours_h=20.6, load_share=0.5, by="chart"),
            "60 %, about 21 h at half load.",
        ),
        (
            FuelSeen(level_pct=8.4, hours_h=1.1, load_share=0.62, at_load="now", by="chart"),
            "8 %, about 65 min at the 62 % load it carries.",
        ),
        (FuelSeen(level_pct=50.0, hours_h=120.0, by="trend"), "50 %, about 5 days by its own use."),
    ],
)
def test_fuel_in_words(seen: FuelSeen, said: str) -> None:
    assert answer.fuel(seen) == said


def test_outages_of_a_year_and_what_it_ran_through() -> None:
    at = T0
    verdict = msgspec.structs.replace(
        life(),
        at=at,
        mains=MainsNow(state="present", last="present", at=at),
        outages=(
            Outage(lost=at - 500 * DAY, back=at - 499 * DAY),
            Outage(lost=at - 9000, back=at - 1800),
        ),
    )
    run = Run(start=at - 8940, end=at - 1500, start_seen="observed", end_seen="observed")
    assert answer.outages(verdict, [run], "Europe/Madrid", at) == [
        ("Outages here", "1 outage in a year, 2 h"),
        ("Ran through", "1 h 59 min"),
        ("Without power", "60 s"),
    ]
    blind = msgspec.structs.replace(verdict, mains=MainsNow(), outages=())
    assert answer.outages(blind, [run], "Europe/Madrid", at) == []


# The last start.


def trace(at: int, samples: list[float], device: str = "D") -> DeviceEvent:
    return DeviceEvent(
        device=device,
        at=at,
        event="trace",
        channel="battery_v",
        step_s=0.05,
        samples=tuple(samples),
    )


LOOK = CrankLook(
    at=T0,
    volts_v=9.1,
    temp_c=4.0,
    limit_v=8.9,
    healthy_at=T0 - 40 * DAY,
    healthy_v=10.2,
    healthy_temp_c=6.0,
    starts=12,
)
FALLS = [12.6, 9.1, 9.4, 10.0, 12.0]


def with_battery(look: CrankLook) -> object:
    verdict = life(unit=WEEKLY)
    return msgspec.structs.replace(verdict, battery=BatterySeen(cranking=look))


def test_the_last_start_stands_beside_a_healthy_one() -> None:
    traces = [
        trace(T0 - 40 * DAY + 3, [12.7, 10.2, 10.6, 12.1]),
        trace(T0 - 9, FALLS),
        trace(T0 - 7 * DAY, [12.7, 8.0, 12.0]),
    ]
    panel = last_start.panel(with_battery(LOOK), inputs(T0, 230.0), traces, "UTC", T0 + 60)  # type: ignore[arg-type]
    assert panel is not None
    picture = str(panel.picture)
    assert picture.count('class="tr"') == picture.count('class="gh"') == 1
    assert 'class="lim"' in picture
    assert dict(panel.rows) == {
        "Last start": "fell to 9.1 V, 00:00, at 4 °C",
        "A healthy start": f"fell to 10.2 V, {day_words(T0 - 40 * DAY)} 00:00, at 6 °C",
        "Difference": "1.1 V lower",
        "Limit": "8.9 V at that temperature",
    }
    assert "fell to 9.1 V" in picture, "the picture says what it shows"


def day_words(at: int) -> str:
    from datetime import UTC, datetime

    then = datetime.fromtimestamp(at, UTC)
    return f"{then.day} {then:%b}"


def test_without_a_trace_the_numbers_stay() -> None:
    panel = last_start.panel(with_battery(LOOK), inputs(T0, 230.0), [], "UTC", T0 + 60)  # type: ignore[arg-type]
    assert panel is not None
    assert panel.picture is None
    assert panel.rows
    assert "sends no trace" in panel.why_none


def test_a_trace_without_numbers_is_drawn() -> None:
    panel = last_start.panel(life(), inputs(T0, 230.0), [trace(T0, FALLS)], "UTC", T0 + 60)
    assert panel is not None
    assert panel.picture is not None
    assert last_start.panel(life(), inputs(T0, 230.0), [], "UTC", T0) is None
    odd = msgspec.structs.replace(trace(T0, FALLS), step_s=0.0)
    assert last_start.panel(life(), inputs(T0, 230.0), [odd], "UTC", T0) is None


def test_why_nothing_is_compared_is_said() -> None:
    look = CrankLook(at=T0, volts_v=9.4, starts=1, reason="no healthy start within 8 °C yet")
    assert ("A healthy start", look.reason) in last_start.rows(look, "UTC", T0 + 60)


def test_a_trace_is_calibrated_as_its_readings_are() -> None:
    known = msgspec.structs.replace(
        inputs(T0, 230.0),
        calibrations=(
            Calibration(
                id="c", fitting="F", channel="battery_v", gain=1.0, offset=0.6, from_at=T0 - DAY
            ),
        ),
    )
    t, v = last_start.curve(trace(T0, [12.0, 9.0]), known)
    assert v.tolist() == pytest.approx([12.6, 9.6])
    assert t.tolist() == pytest.approx([0.0, 0.05])
    before = last_start.curve(trace(T0 - 2 * DAY, [12.0, 9.0]), known)[1]
    assert before.tolist() == [12.0, 9.0]


@given(st.lists(st.floats(6, 15), min_size=2, max_size=2000), st.floats(7, 10))
def test_a_drawn_start_never_loses_its_dip(volts: list[float], limit: float) -> None:
    v = np.array(volts, np.float64)
    drawn = svg.starts([(np.arange(len(v), dtype=np.float64) * 0.05, v)], limit, "<b>x</b>")
    assert drawn is not None
    picture, ticks, seconds = drawn
    assert "<b>" not in picture
    assert len(picture) < 12_000
    assert ticks[-1] <= min(v.min(), limit) + 1e-9
    path = re.search(r'class="tr" d="M([^"]*)"', picture)
    assert path is not None
    lowest = max(float(point) for point in path.group(1).split()[1::2])
    bottom, top = ticks[-1], ticks[0]
    assert lowest == pytest.approx(100 - (v.min() - bottom) / (top - bottom) * 100, abs=0.051)
    assert seconds[-1] == pytest.approx((len(v) - 1) * 0.05, abs=0.051)


def test_nothing_to_draw_is_no_picture() -> None:
    assert svg.starts([], None, "x") is None
    assert svg.starts([(np.array([0.0]), np.array([12.0]))], 9.0, "x") is None


# The page.


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    fleet: Fleet = seed(tmp_path_factory.mktemp("answer"))
    told = trace(NOW - 3180, FALLS, f"dev-{FAILED + 1:02d}")
    other = msgspec.structs.replace(told, channel="ac_v", at=NOW - 3100)
    unscoped.pulse(fleet.registry, PulseBatch(now=NOW, events=[told, other]))
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_owner(app)
    yield TestClient(app, base_url="http://127.0.0.1:8080")
    fleet.registry.close()
    fleet.history.store.close()


def test_the_page_answers_after_the_finding_and_before_the_readings(client: TestClient) -> None:
    page = client.get(f"/units/{unit_id(FAILED)}").text
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    order = [
        "Did not start at 06:12",
        "Would it start now?",
        "Not ready",
        "Mains here",
        "Last readings",
        "Battery volts while cranking",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    assert page.count('class="tr"') >= 1


def test_the_later_sections_fold(client: TestClient) -> None:
    page = client.get(f"/units/{unit_id(FAILED)}").text
    folded = re.findall(r'<details class="later" id="([a-z]+)-more"><summary><h\d>', page)
    assert {"history", "runs", "starts", "records", "hours", "use", "set", "habit"} <= set(folded)
    assert page.count("<details") == page.count("</details>")
