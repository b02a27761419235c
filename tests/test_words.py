"""Sentences say what was seen, then what to do, and send nobody to a set without cautions."""

from __future__ import annotations

import re

import pytest

from fleet import words
from fleet.model import Finding

ZONE = "Europe/Dublin"
NOW = 1_764_054_000  # 2025-11-25T07:00:00Z


def finding(kind: str, **facts: object) -> Finding:
    severity = "same_day" if facts.get("late_days") else "act_now"
    return Finding(kind=kind, severity=severity, since=NOW - 3600, facts=facts)


SAMPLES = [
    finding(
        "code_exercise_not_met",
        month="2025-10",
        longest_min=31.0,
        load_pct=22.4,
        diesel=True,
        supplemental="not_met",
    ),
    finding("code_exercise_not_met", month="2025-10", diesel=False, supplemental=""),
    finding(
        "starts_unreliable",
        failed=4,
        demands=20,
        low=0.627,
        high=0.913,
        confidence=0.9,
        target=0.95,
        proven=True,
    ),
    finding(
        "starts_unreliable",
        failed=3,
        demands=20,
        low=0.7,
        high=0.944,
        confidence=0.9,
        target=0.95,
        proven=False,
    ),
    finding(
        "harder_starting",
        measure="crank_s",
        before=1.9,
        now=3.4,
        starts=26,
        temp_c=11.6,
        from_at=NOW - 200 * 86_400,
    ),
    finding(
        "harder_starting",
        measure="attempts",
        before=1.0,
        now=2.3,
        starts=31,
        temp_c=4.0,
        from_at=NOW - 100 * 86_400,
    ),
    finding("oil_check_in_run", run_h=8.0, check=1, started_at=NOW - 11 * 3600, next_at=NOW),
    finding("failed_start", attempts=3, crank_min_v=8.94, mains_v=231.0, nominal_v=230.0),
    finding("not_reporting", heard_at=NOW - 86_400 * 3 - 4 * 3600, last_condition="standing_by"),
    finding("not_reporting", heard_at=None),
    finding("not_in_auto"),
    finding("service_due", name="Oil and filter", late_days=12, late_hours_h=13.2),
    finding("service_due", name="Oil and filter", binds="hours", due_at_hours_h=250.0),
    finding("service_due", name="Coolant", binds="calendar", due_on="2025-12-01"),
    finding("meter_reset", before_h=1204.4, after_h=0.2),
    finding("meter_rolled_over", before_h=65535.0, after_h=0.0),
    finding("meter_disagrees", meter_h=10.0, integrated_h=12.0),
    finding("uses_integrated_hours"),
    finding("clock_wrong"),
    finding("sequence_gaps", gaps=3),
    finding("sim_ending", ends="2026-12-31", days_left=29, sim="8949", works=False),
    finding("sim_ending", ends="2026-11-01", days_left=-24, sim="", works=False),
    finding("sim_ending", ends="2026-11-01", days_left=-24, sim="", works=True),
    finding("data_budget", used_mb=4.2, budget_mb=5.0, month="2026-11"),
    finding("data_budget", used_mb=5.4, budget_mb=5.0, month="2026-11"),
    finding("exercise_missed", due_at=NOW - 86_400, times=1, by="counter", minutes=20.0),
    finding("exercise_missed", due_at=NOW - 86_400, times=2, by="readings", ran_at=NOW - 5000),
    finding(
        "mains_outage",
        area="North",
        sets=40,
        sites=31,
        earliest_at=NOW - 5000,
        cover={"failed": 2, "unproven": 5, "covered": 33},
    ),
    finding("mains_outage", alone=True, sets=1, sites=1, cover={"covered": 1}),
    finding("mains_outage", area="North", sets=9, sites=9, cover={"covered": 9}, ended_at=NOW - 60),
    finding("own_line", units=31),
    finding("undelivered", late=1, given_up=3, people=2),
    finding("exercise_short", due_at=NOW - 3600, length_s=420, minutes=20.0),
    finding("exercise_under_loaded", mean_kw=12.3, asked_kw=36.0),
    finding(
        "exercise_time", offset_s=3590, agreed="10:00", real="11:00", matches=5, summer_time=True
    ),
    finding(
        "fuel_low",
        level_pct=9.4,
        hours_h=3.2,
        agreed_h=8.0,
        agreed=False,
        load_share=0.5,
        at_load="half",
        by="chart",
        at=NOW,
    ),
    finding("fuel_low", level_pct=7.0, dual=True, at=NOW),
    finding(
        "charger_fault",
        nominal_v=12.0,
        volts_v=12.41,
        mains_seen=True,
        usual_low_v=13.4,
        usual_high_v=13.7,
        days_left=23.6,
        days_left_low=17.2,
        days_left_high=41.0,
    ),
    finding("charger_fault", nominal_v=24.0, mains_seen=False, unchecked=True),
    finding("over_charge", nominal_v=12.0, volts_v=15.62, usual_low_v=13.4, usual_high_v=13.7),
    finding("battery_failed_cell", nominal_v=12.0, by="step", before_v=13.62, after_v=11.5),
    finding("battery_failed_cell", nominal_v=12.0, by="after_run", before_v=14.1, after_v=10.7),
    finding(
        "battery_runs_down",
        nominal_v=12.0,
        rest_v=12.2,
        charge_pct=44.4,
        days_left=11.2,
        days_left_low=8.9,
    ),
    finding("battery_runs_down", nominal_v=12.0, rest_v=11.9, days_left=0.0, days_left_low=0.0),
    finding(
        "battery_weak",
        nominal_v=12.0,
        why="cranking",
        crank_v=8.1,
        crank_at=NOW - 7200,
        temp_c=11.0,
        limit_v=9.4,
        healthy_v=9.9,
        healthy_at=NOW - 90 * 86_400,
        healthy_temp_c=12.0,
        below=2,
    ),
    finding(
        "battery_weak",
        nominal_v=12.0,
        why="trend",
        crank_v=9.5,
        crank_at=NOW - 7200,
        per_month_v=-0.08,
        crosses_at=NOW + 60 * 86_400,
        crosses_from=NOW + 30 * 86_400,
    ),
    finding("battery_weak", nominal_v=12.0, why="rest", rest_v=12.1, charge_pct=31.0),
    finding("battery_old", fitted_at=NOW - 2000 * 86_400, months=66, usual_months=60),
    finding("shut_down", event="shutdown", cause="low oil pressure"),
    finding("shut_down", event="emergency_stop"),
    finding("mains_lost", earliest_at=NOW - 4500, mains_v=2.0, nominal_v=230.0, alone="alone"),
    finding(
        "voltage_out",
        value=205.1,
        worst=203.9,
        low=207.0,
        high=253.0,
        nominal=230.0,
        share=1.13,
        by="no class known: 10 % either way",
        unchecked=True,
    ),
    finding("frequency_out", value=52.4, worst=53.0, low=47.9, high=52.1, nominal=50.0, by="x"),
    finding(
        "voltage_drift",
        moved=-9.4,
        per_month=-0.8,
        share=0.41,
        runs=61,
        by="no load",
        from_at=NOW - 400 * 86_400,
        limit=207.0,
    ),
    finding(
        "frequency_drift",
        moved=0.81,
        per_month=0.07,
        share=0.6,
        runs=78,
        by="droop line",
        from_at=NOW - 300 * 86_400,
        limit=52.1,
        crosses_at=NOW + 90 * 86_400,
        crosses_from=NOW + 60 * 86_400,
    ),
    finding("hunting", width_hz=1.9, limit_hz=1.25, runs=3, of=4, by="x"),
    finding("unbalance", pct=4.2, limit_pct=3.0, runs=2),
    finding("open_neutral", nominal_v=240.0),
    finding("over_voltage", nominal_v=230.0, volts=271.0, unchecked=True),
    finding("over_voltage", nominal_v=230.0),
    finding("no_output", nominal_v=230.0, volts=3.0),
    finding("leg_out", channel="ac_l3_v", phases="3", nominal_v=230.9, volts=2.0),
    finding("leg_out", channel="ac_l2_v", phases="split", nominal_v=120.0, volts=0.0, not_yet=True),
    finding("over_voltage", channel="ac_l23_v", phases="3", nominal_v=400.0, volts=500.0),
    finding("volts_standing", nominal_v=230.0, volts=231.0, unchecked=True),
    finding("stray_volts", nominal_v=230.0, volts=48.0),
    Finding(
        kind="wrong_nominal",
        severity="note",
        since=NOW,
        part="volts",
        facts={"nominal": 240.0, "runs_at": 208.0, "runs": 12},
    ),
]


def test_every_kind_has_a_sample() -> None:
    assert {f.kind for f in SAMPLES} == set(words.SPEAKERS)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_a_sentence_is_plain_and_whole(sample: Finding) -> None:
    said = words.sentence(sample, ZONE, NOW)
    assert said.title
    assert said.seen.endswith(".")
    assert len(said.title) <= 32
    for text in (said.title, said.seen, said.do):
        assert "None" not in text
        assert "{" not in text
        assert "critical error" not in text.lower()


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_who_is_sent_to_a_set_is_cautioned(sample: Finding) -> None:
    said = words.sentence(sample, ZONE, NOW)
    sends = re.search(r"\b(van|round|visit|switch|power)\b", said.do)
    if sample.kind in words.SENDS_A_PERSON:
        assert said.cautions == words.CAUTIONS
    elif sends and "next visit" not in said.do:
        pytest.fail(f"{sample.kind} sends a person without cautions: {said.do}")


@pytest.mark.parametrize(
    "word",
    [
        "start by itself",
        "Lock-out",
        "carbon monoxide",
        "back-feed",
        "Batteries",
        "hot",
        "Fuel",
        "licensed",
    ],
)
def test_the_usual_cautions_are_there(word: str) -> None:
    assert any(word in line for line in words.CAUTIONS)


NEVER = [
    r"try (to )?start(ing)? (it )?again",
    r"jump.?start",
    r"open the panel",
    r"switch (it )?to auto",
    r"start it",
    r"reset the",
]


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_what_is_never_said(sample: Finding) -> None:
    """docs/engineering/cautions.md#never-said: never another start, a jump start, an opened panel,
    a switch to auto.
    """
    said = words.sentence(sample, ZONE, NOW)
    for text in (said.seen, said.do):
        for pattern in NEVER:
            assert not re.search(pattern, text, re.IGNORECASE), text


def test_late_news_says_both_times() -> None:
    late = Finding(
        kind="failed_start",
        severity="act_now",
        since=NOW - 4 * 3600 - 46 * 60,
        learned_at=NOW - 89 * 60,
        facts={"attempts": 3},
    )
    assert "Did not start at 02:14, learned at 05:31" in words.sentence(late, ZONE, NOW).seen


def test_nothing_is_claimed_of_a_mains_never_heard() -> None:
    said = words.sentence(finding("failed_start", attempts=3), ZONE, NOW)
    assert "mains" not in said.seen


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (40, "40 s"),
        (1500, "25 min"),
        (7 * 3600, "7 h"),
        (3 * 86400 + 4 * 3600, "3 d 4 h"),
        (12 * 86400 + 3600, "12 d"),
    ],
)
def test_spans(seconds: int, said: str) -> None:
    assert words.span(seconds) == said


def test_a_moment_is_shown_in_the_sites_zone() -> None:
    # 2025-10-26: Ireland left summer time at 01:00Z; 00:30Z is 01:30 on the wall, 01:30Z also.
    before, after = 1_761_438_600, 1_761_442_200
    assert words.moment(before, ZONE, after) == "01:30"
    assert words.moment(after, ZONE, after) == "01:30"
    assert words.moment(before, "America/Chicago", after) == "19:30"


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.9312, 0.99939, "93 to 99.9 %"),
        (0.909523, 0.999903, "90 to 99.9 %"),
        (0.627, 0.913, "62 to 92 %"),
        (0.9941, 0.9999999, "99.4 to 99.9 %"),
        (0.0, 1.0, "0 to 100 %"),
    ],
)
def test_an_interval_is_never_said_narrower_than_it_is(low: float, high: float, said: str) -> None:
    """Rounded outwards; 100 % is only said of 100 %."""
    assert words.percent_range(low, high) == said


@pytest.mark.parametrize(
    ("crosses", "said"),
    [(-2, "They are at the edge of the band."), (60, "about 24 Jan 2026, not before 25 Nov")],
)
def test_a_drift_that_is_there_is_not_foretold(crosses: int, said: str) -> None:
    drift = finding(
        "voltage_drift",
        moved=9.6,
        from_at=NOW - 90 * 86_400,
        runs=40,
        by="no load",
        share=0.9,
        crosses_at=NOW + crosses * 86_400,
        crosses_from=NOW - 5 * 86_400,
    )
    assert said in words.sentence(drift, "UTC", NOW).seen


@pytest.mark.parametrize(
    ("crosses", "span", "said"),
    [
        (-2, (-2, -2), "It has been falling."),
        (0, (0, 90), "It has been falling."),
        (60, (60, 60), "Falling: at this rate it meets its limit about 24 Jan 2026."),
        (60, (30, 90), "at the earliest 25 Dec 2025, at the latest 23 Feb 2026."),
        (60, (-5, 90), "at the earliest 25 Nov 2025, at the latest 23 Feb 2026."),
    ],
)
def test_what_a_trend_has_met_is_not_foretold(
    crosses: int, span: tuple[int, int], said: str
) -> None:
    first, last = (NOW + day * 86_400 for day in span)
    weak = finding(
        "battery_weak",
        nominal_v=12.0,
        why="cranking",
        crank_v=7.4,
        crank_at=NOW - 7200,
        crosses_at=NOW + crosses * 86_400,
        crosses_from=first,
        crosses_to=last,
    )
    seen = words.sentence(weak, "UTC", NOW).seen
    assert said in seen
    assert ("at the earliest" in seen) == (span[0] != span[1] and crosses > 0)
