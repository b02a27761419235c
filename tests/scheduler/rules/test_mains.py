"""The mains at a site: state, edges, outages, its neighbours, and a real blackout."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from one_unit import HABIT, T0, inputs

from fleet.model import (
    DeviceEvent,
    MainsNow,
    Run,
    Series,
)
from fleet.words import sentence
from fleet.words.readiness_sentences import mains_now
from scheduler.assess import assess, day_facts
from scheduler.day import Day, digest
from scheduler.rules import mains


def days_of(at: list[int], volts: list[float], events: tuple[DeviceEvent, ...] = ()) -> list[Day]:
    """Days out of readings of mains_v."""
    facts = day_facts(inputs(at[-1], volts[-1]), HABIT)
    t, v = np.array(at, np.int64), np.array(volts)
    found: list[Day] = []
    for day in sorted({moment // 86_400 for moment in at}):
        inside = t // 86_400 == day
        series = {"mains_v": Series(t[inside], v[inside])}
        told = [event for event in events if event.at // 86_400 == day]
        found.append(digest(facts, day, series, told, found[-1].carry if found else None))
    return found


def kinds(found: object) -> set[str]:
    return {finding.kind for finding in found.findings}  # type: ignore[attr-defined]


def test_an_outage_seen_between_two_reports_is_an_interval() -> None:
    at = [T0 + 900 * n for n in range(6)]
    verdict = assess(inputs(at[-1], 2.0), days_of(at, [231, 230, 231, 1, 2, 2]), at[-1] + 30)
    assert verdict.mains == MainsNow(
        state="absent", last="absent", since=at[3], since_earliest=at[2], at=at[5]
    )
    assert verdict.summary.mains == verdict.mains
    assert verdict.outages == (mains.Outage(lost=at[3], lost_earliest=at[2]),)
    note = next(f for f in verdict.findings if f.kind == "mains_lost")
    assert note.severity == "note"
    said = sentence(note, "Europe/Madrid", at[-1] + 30)
    assert "between 01:30 and 01:45" in said.seen
    assert "2 V of 230 V" in said.seen


def test_one_sample_is_a_state_and_no_finding_yet() -> None:
    at = [T0, T0 + 900, T0 + 1800]
    verdict = assess(inputs(at[-1], 0.0), days_of(at, [230, 230, 0]), at[-1] + 10)
    assert verdict.mains.state == "absent"
    assert "mains_lost" not in kinds(verdict)


def test_an_event_is_the_edge_itself() -> None:
    at = [T0, T0 + 900]
    lost = DeviceEvent(device="D", at=T0 + 1234, event="mains_lost")
    verdict = assess(inputs(T0 + 1234, 230.0), days_of(at, [230, 230], (lost,)), T0 + 1240)
    assert verdict.mains.since == verdict.mains.since_earliest == T0 + 1234
    assert "mains_lost" in kinds(verdict)
    assert mains_now(verdict.mains, "Europe/Madrid", T0 + 1240) == "Off since 01:20."


def test_stale_is_unknown_and_what_was_said_last_stays() -> None:
    at = [T0 + 900 * n for n in range(4)]
    days = days_of(at, [230, 230, 0, 0])
    later = at[-1] + 3 * 900 + 1
    verdict = assess(inputs(at[-1], 0.0), days, later)
    assert (verdict.mains.state, verdict.mains.last) == ("unknown", "absent")
    assert "mains_lost" not in kinds(verdict)
    assert "was off at" in mains_now(verdict.mains, "UTC", later)
    # heard again, but of something else only: the mains is still not known
    heard = inputs(later, 0.0)
    assert assess(heard, days, later).mains.state == "unknown"
    before = assess(inputs(at[-1], 0.0), days, at[-1] + 1)
    assert before.look_again_at <= at[-1] + 2701


def test_never_wired_is_unknown() -> None:
    verdict = assess(inputs(T0, 0.0), [], T0 + 5)
    assert verdict.mains == MainsNow()
    assert mains_now(verdict.mains, "UTC", T0) == "Not seen: the mains is not wired."


@pytest.mark.parametrize(
    ("volts", "there"),
    [
        ([230, 114.9], [True, False]),
        ([230, 115.0], [True, True]),
        ([0, 116.0], [False, False]),
        ([0, 117.3], [False, True]),
        ([116.0], [True]),
        ([0, 116, 114, 117, 118, 116, 115], [False, False, False, False, True, True, True]),
    ],
    ids=["under half", "half is there", "held until 51 %", "51 %", "nothing before", "flicker"],
)
def test_hysteresis(volts: list[float], there: list[bool]) -> None:
    assert mains.present(np.array(volts, float), 230.0).tolist() == there


def test_hysteresis_goes_on_over_midnight() -> None:
    assert not mains.present(np.array([116.0]), 230.0, before=False)[0]
    at = [T0 + 86_400 - 120, T0 + 86_400 - 60, T0 + 86_400, T0 + 86_400 + 60]
    days = days_of(at, [230, 100, 116, 118])
    assert [(e.kind, e.latest) for day in days for e in day.mains] == [
        ("lost", at[1]),
        ("back", at[3]),
    ]


def test_outages_out_of_edges() -> None:
    edges: list[mains.Edge] = [
        ("back", 5, 10),
        ("lost", 20, 30),
        ("lost", 35, 40),
        ("back", 50, 60),
        ("lost", 90, 91),
    ]
    whole, going = mains.outages(edges)
    assert whole == mains.Outage(lost=30, lost_earliest=20, back=60, back_earliest=50)
    assert going == mains.Outage(lost=91, lost_earliest=90)
    now = MainsNow(state="absent", last="absent", since=100, at=120)
    assert mains.outages([], now) == (mains.Outage(lost=100),)


def test_minutes_covered_and_not() -> None:
    outage = mains.Outage(lost=1000, back=4000)
    runs = [
        Run(start=1100, end=2000, start_seen="observed", end_seen="observed"),
        Run(start=3900, end=5000, start_seen="observed", end_seen="observed"),
    ]
    assert mains.covered_s(outage, runs, 9000) == (1000, 2000)
    assert mains.covered_s(mains.Outage(lost=1000), runs[:1], 1500) == (400, 100)


@given(st.lists(st.floats(0, 300), max_size=40), st.booleans())
def test_a_state_changes_only_beyond_a_limit(volts: list[float], before: bool) -> None:
    there = mains.present(np.array(volts), 230.0, before).tolist()
    state = before
    for value, now in zip(volts, there, strict=True):
        if now != state:
            assert value < 115.0 if state else value >= 117.3
        state = now


def test_a_real_blackout(shared: Path) -> None:
    """Toledo, 28 April 2025 (Lemur, Universidad de Oviedo; MIT): phase volts of a 48 kV bus."""
    rows = (shared / "data" / "mains_blackout_2025-04-28.csv").read_text().splitlines()[1:]
    zone = ZoneInfo("Europe/Madrid")
    at, volts, gaps = [], [], 0
    for row in rows:
        first, _, _, _, when = row.split(",")
        moment = datetime.strptime(when, "%d-%b-%Y %H:%M:%S").replace(tzinfo=zone)
        if first == "NaN":
            gaps += 1
            continue
        at.append(int(moment.timestamp()))
        volts.append(float(first) * 230.0 / (48_000 / 3**0.5))
    assert gaps == 10
    days = days_of(at, volts)
    verdict = assess(inputs(at[-1], volts[-1]), days, at[-1] + 1)
    assert len(verdict.outages) == 1
    (outage,) = verdict.outages
    assert outage.back is None
    assert outage.lost_earliest is not None
    wall = [
        f"{datetime.fromtimestamp(t, zone):%H:%M:%S}" for t in (outage.lost_earliest, outage.lost)
    ]
    assert wall == ["12:33:22", "12:33:24"]
    assert verdict.mains.state == "absent"
    noon = [n for n, t in enumerate(at) if f"{datetime.fromtimestamp(t, zone):%H:%M}" < "12:32"]
    cut = noon[-1] + 1
    before = assess(
        inputs(at[cut - 1], volts[cut - 1]), days_of(at[:cut], volts[:cut]), at[cut - 1]
    )
    assert before.findings == ()
    assert before.mains.state == "present"
