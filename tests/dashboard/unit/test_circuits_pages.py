"""A dead phase and a set that falls silent in its run, from readings to every page that names them."""

from __future__ import annotations

import re
from argparse import Namespace
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from alternators import Fault, run, wye
from as_viewer import as_owner
from circuit_worlds import ALL, Made
from fastapi.testclient import TestClient
from new_registries import registry_of
from register_rows import NOW, row, take

from dashboard.app import create_app
from fleet import clock, words
from fleet.history import History
from fleet.model import EVERYTHING, Latest, Pulse, Reading, Record
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.records import add_record
from fleet.registry.facts.rows import PulseBatch
from fleet.registry.told import kept_outages
from fleet.settings import Settings
from fleet.store import open_store
from hourhand.office import list_units
from scheduler.turns import Memory, work_through

DAY_S, WEEK_S = 86_400, 7 * 86_400
MADE = Made("230/400", "3", 400.0, wye(230.9), ALL)
MONDAY = NOW - (NOW // DAY_S - 4) % 7 * DAY_S - NOW % DAY_S + 9 * 3600
"""09:00 UTC of the newest Monday: 10:00 in Berlin."""


class Office:
    """An office with two three-phase sets alike: SICK and WELL. `hear` takes what they send."""

    def __init__(self, data: Path) -> None:
        self.settings = Settings(data=data, firm="Harrow & Finch")
        self.registry: Registry = registry_of(self.settings)
        take(
            self.registry,
            *(
                row(
                    name,
                    site=f"{name} yard",
                    customer=f"{name} Ltd",
                    area="North",
                    device=f"dev-{name}",
                    nominal_v="400",
                    phases="3",
                    running_signal="running",
                    running_on="1",
                    service_plan="liquid_diesel",
                    cooling="liquid",
                    cylinders="4",
                    rated_kw="20",
                    habit="steady 900 60",
                    exercise="DTSTART:20260105T100000 RRULE:FREQ=WEEKLY;BYDAY=MO",
                    exercise_minutes="20",
                )
                for name in ("SICK", "WELL")
            ),
            now=NOW - 60 * DAY_S,
        )
        for name, number in (("SICK", 1), ("WELL", 2)):
            checked = Record(
                id=f"7b9c1d3e-0000-4000-8000-00000000000{number}",
                at=NOW - 50 * DAY_S,
                by="Dee",
                unit=name,
                kind="meter_check",
                facts={"channel": "ac_v", "meter": [400.0], "raw": [400.0], "instrument": "M"},
            )
            add_record(self.registry, checked, NOW)
        self.store = open_store(self.settings, writing=True)
        self.now = NOW
        reads = open_store(self.settings, writing=False)
        self.history = History(self.registry, reads)
        app = create_app(self.settings, self.registry, self.history, now=lambda: self.now)
        as_owner(app)
        self.client = TestClient(app, base_url="http://127.0.0.1:8080")
        self.memory = Memory()

    def hear(self, name: str, readings: list[tuple[int, dict[str, float]]]) -> None:
        device = f"dev-{name}"
        self.store.write([Reading(device, at, values) for at, values in readings])
        at, _ = readings[-1]
        newest = {n: Latest(t, v) for t, values in readings for n, v in values.items()}
        pulse = Pulse(device=device, heard_at=at + 1, newest_at=at, latest=newest, online=True)
        unscoped.pulse(
            self.registry,
            PulseBatch(
                now=at + 1,
                pulses=[pulse],
                touched={device: {t // DAY_S for t, _ in readings}},
                groups={device: "main"},
            ),
        )

    def turn(self, now: int) -> None:
        self.now = now
        work_through(self.registry, self.history, now, self.memory)

    def text(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, path
        return " ".join(re.sub(r"<(script|style).*?</\1>|<[^>]+>", " ", answer.text).split())

    def close(self) -> None:
        self.store.close()
        self.history.store.close()
        self.registry.close()


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    made = Office(tmp_path)
    yield made
    made.close()


def at_rest(at: int, mains: float = 230.0) -> dict[str, float]:
    return {"running": 0.0, "in_auto": 1.0, "mains_v": mains, **dict.fromkeys(ALL, 0.0)}


def exercise(
    seed: int, start: int, fault: Fault | None, count: int
) -> list[tuple[int, dict[str, float]]]:
    """A Monday's readings: at rest, 20 minutes of a run, at rest."""
    volts = run(np.random.default_rng(seed), MADE, 1200, fault)
    rest = {"start_attempts": float(count - 1)}
    found = [(t, at_rest(t) | rest) for t in range(start - 3600, start, 900)]
    for s in range(5, 1200, 60):
        values = {n: round(float(v[s]), 1) for n, v in volts.items()}
        found.append(
            (start + s, at_rest(start) | values | {"running": 1.0, "start_attempts": count})
        )
    after = {"start_attempts": float(count)}
    return [*found, *((t, at_rest(t) | after) for t in range(start + 1210, start + 7200, 900))]


def test_a_dead_phase_is_told_on_every_page_and_its_look_alike_is_not(office: Office) -> None:
    dead = Fault("winding", 2, 0.0)
    for week in range(4):
        start = MONDAY - (3 - week) * WEEK_S
        for seed, name in enumerate(("SICK", "WELL")):
            fault = dead if name == "SICK" and week == 3 else None
            office.hear(name, exercise(10 * week + seed, start, fault, week + 1))
        office.turn(start + 7200)
        if week == 2:
            assert "Ready Started by itself" in office.text("/units/SICK")
    sick, well = office.text("/units/SICK"), office.text("/units/WELL")
    assert "Not ready A phase or leg of its output was dead" in sick
    assert "motors off at their own breakers" in sick
    assert "L3 to neutral gave 0 V where 231 V belong" in sick
    assert "leg of its output" not in well
    assert "Ready Started by itself" in well, well
    answer = office.client.get("/api/units/SICK").json()
    assert answer["readiness"]["state"] == "not_ready"
    assert "leg_out" in {f["kind"] for f in answer["findings"]}
    assert office.client.get("/api/units/WELL").json()["readiness"]["state"] != "not_ready"
    today = office.text("/")
    assert "A phase or leg is dead" in today
    assert "SICK" in office.text("/units?readiness=not_ready")
    assert "WELL Ltd" not in office.text("/units?readiness=not_ready")
    assert "A phase or leg is dead" in office.text("/alerts")
    assert "SICK" in office.text("/tolerance")
    assert "WELL" not in office.text("/tolerance")


def test_a_set_silent_in_its_run_stands_by_nowhere(
    office: Office, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mains goes, it comes on, says so for two minutes, and its router dies."""
    office.hear("WELL", [(t, at_rest(t)) for t in range(NOW - 7200, NOW - 300, 900)])
    lost = NOW - 200
    on = {"running": 1.0, **MADE.circuits()}
    office.hear(
        "WELL",
        [(lost, at_rest(lost, 0.0)), *((lost + s, at_rest(lost, 0.0) | on) for s in (20, 80, 140))],
    )
    last = lost + 140
    monkeypatch.setattr(clock, "now", lambda: office.now)
    for silent_s, said in (
        (30, "Running"),
        (300, "Last heard running"),
        (900, "Last heard running"),
        (3000, "Not reporting"),
    ):
        office.turn(last + silent_s)
        ((_, _, _, summary),) = [
            one for one in lists.units(office.registry, EVERYTHING, limit=10) if one[0].id == "WELL"
        ]
        assert summary is not None
        texts = [office.text(path) for path in ("/", "/units", "/units/WELL", "/alerts")]
        for outage in kept_outages.going_on(office.registry, NOW - DAY_S):
            texts.append(office.text(f"/outages/{outage.id}"))
        assert len(texts) == 5
        asked = {"config": None, "search": "WELL", "json": False, "as_of": None}
        list_units(Namespace(data=office.settings.data, **asked))
        texts.append(" ".join(capsys.readouterr().out.split()))
        for text in texts:
            about = text[max(0, text.find("WELL") - 200) :]
            assert "Standing by" not in about.replace("SICK", "")
            assert "tanding still" not in text
        assert said.lower() in texts[2].lower(), (silent_s, summary.condition)
        api = office.client.get("/api/units/WELL").json()
        assert api["condition"] == said.lower().replace(" ", "_")
        if said == "Not reporting":
            assert "It was running when it was last heard" in texts[2]
        if silent_s < 180:
            assert api["last_heard_running_at"] is None
            continue
        assert_told_everywhere(office, last, texts, said)


def assert_told_everywhere(office: Office, last: int, texts: list[str], said: str) -> None:
    """Every page of the set, silent in its run since `last`, says when it was last heard running."""
    clocks = words.moment(last, "Europe/Berlin", office.now)
    was = f"ast heard running, {clocks}"
    today, listed, page, _, outages, typed = texts
    for text in (today, listed, page, outages, typed):
        assert was in text, (said, text)
    assert f"Last heard running, {clocks}: whether it still runs is not known" in page
    assert "at least 3 min" in page or "at least 2 min" in page or "at least 140 s" in page, page
    assert f"end not seen: last heard running, {clocks}" in page
    assert was in office.text("/jobs/call?unit=WELL")
    api = office.client.get("/api/units/WELL").json()
    at = datetime.fromtimestamp(last, UTC)
    assert datetime.fromisoformat(api["last_heard_running_at"]) == at
    assert was in api["readiness"]["sentence"]
    begin = datetime.fromtimestamp(last - 3600, UTC).isoformat()
    asked = {"from": begin, "to": datetime.fromtimestamp(office.now, UTC).isoformat()}
    (ran,) = office.client.get("/api/units/WELL/runs", params=asked).json()["items"]
    assert (ran["end_seen"], ran["end_latest"]) == ("gap", None)
    assert datetime.fromisoformat(ran["end"]) == at


def test_a_set_that_nobody_declared_is_asked_about_and_its_answer_is_a_record(
    office: Office,
) -> None:
    for week in range(4):
        start = MONDAY - (3 - week) * WEEK_S
        office.hear("WELL", exercise(week, start, None, week + 1))
        office.turn(start + 7200)
    page = office.text("/units/WELL")
    assert "It looks like 230/400 V wye, by its readings. Is it?" in page
    told = office.client.get("/api/units/WELL/supply").json()
    assert (told["system"], told["line_v"], told["declared"]) == ("wye", 400.0, False)
    asked = re.search(r'href="(/units/WELL/record/system\?[^"]+)"', _html(office, "/units/WELL"))
    assert asked is not None
    form = _html(office, asked[1].replace("&amp;", "&"))
    assert re.search(r'<option value="wye" selected', form), form
    assert 'name="line_v"' in form
    sent = dict(re.findall(r'type="hidden" name="([^"]+)"\s+value="([^"]*)"', form))
    sent |= {"at": "2026-11-23T10:00", "system": "wye", "line_v": "400", "by": "Dee"}
    sent |= {"senses": "mains_v=l1_n"}
    here = {"origin": "http://127.0.0.1:8080"}
    wrong = office.client.post(
        "/units/WELL/record/system", data=sent | {"line_v": "480"}, headers=here
    )
    assert wrong.status_code == 422
    assert "do not agree" in wrong.text, re.findall(r'class="wrong".*?</p>', wrong.text, re.DOTALL)
    answer = office.client.post(
        "/units/WELL/record/system", data=sent, headers=here, follow_redirects=False
    )
    assert answer.status_code == 303, answer.text
    office.turn(office.now + 60)
    page = office.text("/units/WELL")
    assert "Is it?" not in page
    assert "230/400 V wye, as declared" in page
    assert "system wye, line v 400 V, senses mains_v=l1_n" in page
    told = office.client.get("/api/units/WELL/supply").json()
    assert told["declared"] is True
    register = office.client.get("/api/units/WELL").json()["register_facts"]
    assert (register["system"], register["senses"]) == ("wye", {"mains_v": "l1_n"})


def _html(office: Office, path: str) -> str:
    return office.client.get(path).text
