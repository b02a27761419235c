"""The pages of one set, whatever was recorded: refusals stand there in words, and none breaks."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from as_viewer import as_owner
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from seeding import DAY_S, NEW, NOW, RUN_MIN, Fleet, seeded, unit_id

from dashboard.app import create_app
from fleet.channels import GLOSSARY
from fleet.history import open_history
from fleet.model import DeviceEvent, Latest, Pulse, Reading
from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.registry.facts.rows import PulseBatch
from fleet.store import open_store
from scheduler.rules.propose import CANDIDATES
from scheduler.turns import Memory, work_through

START = NOW - 3 * DAY_S
"""When the recorded test run of the new set began."""
END = START + RUN_MIN * 60
TIMES = range(START - 3600, END + 3600, 20)
DEVICE, UNIT = f"dev-{NEW + 1:02d}", unit_id(NEW)
Recorded = dict[int, dict[str, float]]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data of a fleet with a set that never reported, to be copied."""
    data = tmp_path_factory.mktemp("kept") / "data"
    with seeded(data):
        pass
    return data


class Told:
    """A set of which just these readings came, and its pages."""

    def __init__(self, kept: Path, data: Path, recorded: Recorded) -> None:
        shutil.rmtree(data, ignore_errors=True)
        shutil.copytree(kept, data)
        self.fleet = heard(data, recorded)
        app = create_app(
            self.fleet.settings, self.fleet.registry, self.fleet.history, now=lambda: NOW
        )
        as_owner(app)
        self.client = TestClient(
            app, base_url="http://127.0.0.1:8080", raise_server_exceptions=False
        )

    def signal(self) -> str:
        """The text of the running-signal page."""
        wall = [
            datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%S") for at in (START, END)
        ]
        answer = self.client.get(f"/units/{UNIT}/signal?started={wall[0]}&stopped={wall[1]}")
        assert answer.status_code == 200, answer.text
        return unescape(answer.text)

    def close(self) -> None:
        self.fleet.registry.close()
        self.fleet.history.store.close()


def heard(data: Path, recorded: Recorded) -> Fleet:
    """The readings in the store and noted as ingest would, and the scheduler's turn over them."""
    from fleet.settings import Settings

    settings = Settings(data=data, firm="Harrow & Finch", demo=True)
    registry = open_registry(settings)
    readings = [Reading(DEVICE, at, values) for at, values in sorted(recorded.items()) if values]
    if readings:
        store = open_store(settings, writing=True)
        store.write(readings)
        store.close()
        latest: dict[str, Latest] = {}
        for one in readings:
            latest |= {name: Latest(one.at, value) for name, value in one.values.items()}
        newest = readings[-1].at
        pulse = Pulse(device=DEVICE, heard_at=newest, newest_at=newest, latest=latest, online=True)
        events = [
            DeviceEvent(
                device=DEVICE,
                at=at,
                event="trace",
                channel="battery_v",
                step_s=0.1,
                samples=tuple(recorded[at].values())[:200],
                received_at=at,
            )
            for at in sorted(recorded)[:2]
            if recorded[at]
        ]
        unscoped.pulse(
            registry,
            PulseBatch(
                now=NOW,
                pulses=[pulse],
                events=events,
                touched={DEVICE: {one.at // DAY_S for one in readings}},
            ),
        )
    history = open_history(settings, registry)
    work_through(registry, history, NOW, Memory())
    return Fleet(settings, registry, history)


def recorded(name: str, rest: float, work: float, noise: float = 0.0) -> Recorded:
    """A run on one channel: so much at rest, so much running, the rest wandering about by `noise`."""
    rng = np.random.default_rng(1)
    return {
        at: {name: work - at % 3 if START <= at < END else rest + noise * rng.standard_normal()}
        for at in TIMES
    }


def both(*parts: Recorded) -> Recorded:
    found: Recorded = {}
    for part in parts:
        for at, values in part.items():
            found[at] = found.get(at, {}) | values
    return found


REFUSED: dict[str, tuple[Recorded, str]] = {
    "nothing came": ({}, "None of the channels that could say it was reported"),
    "one reading": ({START + 60: {"ac_v": 230.0}}, "0 readings at rest and 1 running"),
    "nothing running": (
        {at: {"ac_v": 0.0} for at in TIMES if at < START},
        "and 0 running: at least 5",
    ),
    "alive at rest": (
        both(recorded("ac_v", 231.0, 229.0), recorded("mains_v", 231.0, 231.0)),
        "the sense leads may sit on the mains side",
    ),
    "floating": (recorded("charge_v", 3.0, 14.0, noise=1.0), "the charging negative is not bonded"),
    "tied": (
        both(recorded("charge_v", 12.4, 14.0), recorded("battery_v", 12.9, 14.0)),
        "the charging output is tied to the battery",
    ),
    "overlap": (recorded("speed_rpm", 1450.0, 1500.0), "not far enough apart for any threshold"),
    "never another value": (recorded("oil_pressure_kpa", 0.0, 0.0), "not far enough apart"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_refusal_stands_on_the_page_in_words(kept: Path, tmp_path: Path, case: str) -> None:
    readings, says = REFUSED[case]
    told = Told(kept, tmp_path / "data", readings)
    try:
        text = told.signal()
        assert says in text
        assert "running_on" not in text, "nothing to write into the register"
        api = told.client.get(
            f"/api/units/{UNIT}/running-signal",
            params={
                "from": f"{datetime.fromtimestamp(START, UTC):%Y-%m-%dT%H:%M:%SZ}",
                "to": f"{datetime.fromtimestamp(END, UTC):%Y-%m-%dT%H:%M:%SZ}",
            },
        )
        assert api.status_code == 200
        assert says in " ".join(item["sentence"] for item in api.json()["items"])
    finally:
        told.close()


def test_a_proposal_still_says_what_to_write(kept: Path, tmp_path: Path) -> None:
    told = Told(kept, tmp_path / "data", recorded("speed_rpm", 0.0, 1500.0))
    try:
        assert "running_signal speed_rpm, running_on" in told.signal()
    finally:
        told.close()


LEVELS = st.one_of(
    st.sampled_from([0.0, -1.0, 1e-300, 12.6, 230.0, 1e12, -1e12]), st.floats(-100, 20_000)
)
"""What ingest takes lies within the channel's possible range; a calibration may make it larger."""
CHANNELS = st.sampled_from([*CANDIDATES, *(c.name for c in GLOSSARY)])


@st.composite
def zoo(draw: st.DrawFn) -> Recorded:
    """Readings such as may have been kept: some channels, each with a level at rest and running,
    wandering or still, sparse or dense, before, during or after the run, or none at all."""
    found: Recorded = {}
    for name in draw(st.lists(CHANNELS, max_size=6, unique=True)):
        rest, work = draw(LEVELS), draw(LEVELS)
        wander = draw(st.sampled_from([0.0, 0.0, 0.5, 100.0]))
        first = draw(st.sampled_from([START - 3600, START - 30 * DAY_S, START, END]))
        last = draw(st.sampled_from([START, END, END + 3600, NOW - 60]))
        count = draw(st.sampled_from([1, 2, 5, 60, 400]))
        rng = np.random.default_rng(draw(st.integers(0, 9)))
        for at in np.linspace(first, max(first, last), count).astype(int).tolist():
            level = work if START <= at < END else rest
            found.setdefault(at, {})[name] = float(level + wander * rng.standard_normal())
    return found


PAGES = (
    f"/units/{UNIT}",
    f"/charts/unit/{UNIT}.json",
    f"/charts/unit/{UNIT}.json?days=3660&points=50",
    f"/api/units/{UNIT}",
    f"/api/units/{UNIT}/runs",
    f"/api/units/{UNIT}/starts",
    f"/api/units/{UNIT}/due",
    f"/api/units/{UNIT}/exercise",
    f"/api/units/{UNIT}/supply",
    f"/api/units/{UNIT}/readings?channel=ac_v&channel=battery_v&points=10",
    f"/api/units/{UNIT}/readings?channel=ac_v&raw=true",
    f"/units/{UNIT}/record/meter_check",
    "/",
    "/units",
    "/due",
    "/alerts",
    "/tolerance",
    f"/api/units/{UNIT}/running-signal?from={datetime.fromtimestamp(START, UTC):%Y-%m-%dT%H:%M:%SZ}"
    f"&to={datetime.fromtimestamp(END, UTC):%Y-%m-%dT%H:%M:%SZ}",
)


def walk(kept: Path, data: Path, readings: Recorded) -> None:
    told = Told(kept, data, readings)
    try:
        told.signal()
        for path in PAGES:
            answer = told.client.get(path)
            assert answer.status_code == 200, f"{path}: {answer.status_code} {answer.text[:300]}"
    finally:
        told.close()


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("zoo") / "data"


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(zoo())
def test_no_page_breaks_whatever_was_recorded(kept: Path, place: Path, readings: Recorded) -> None:
    walk(kept, place, readings)


@pytest.mark.long
@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(zoo())
def test_no_page_breaks_at_length(kept: Path, place: Path, readings: Recorded) -> None:
    walk(kept, place, readings)
