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
    finding("exercise_short", due_at=NOW - 3600, length_s=420, minutes=20.0),
    finding("exercise_under_loaded", mean_kw=12.3, asked_kw=36.0),
    finding(
        "exercise_time", offset_s=3590, agreed="10:00", real="11:00", matches=5, summer_time=True
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
    "word", ["start by itself", "Lock-out", "carbon monoxide", "back-feed", "Batteries", "hot",
             "Fuel", "licensed"],
)  # fmt: skip
def test_the_usual_cautions_are_there(word: str) -> None:
    assert any(word in line for line in words.CAUTIONS)


NEVER = [
    r"try (to )?start(ing)? (it )?again", r"jump.?start", r"open the panel", r"switch (it )?to auto",
    r"start it", r"reset the",
]  # fmt: skip


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_what_is_never_said(sample: Finding) -> None:
    """ENGINEERING 15: never another start, a jump start, an opened panel, a switch to auto."""
    said = words.sentence(sample, ZONE, NOW)
    for text in (said.seen, said.do):
        for pattern in NEVER:
            assert not re.search(pattern, text, re.IGNORECASE), text


def test_late_news_says_both_times() -> None:
    late = Finding(
        kind="failed_start", severity="act_now", since=NOW - 4 * 3600 - 46 * 60,
        learned_at=NOW - 89 * 60, facts={"attempts": 3},
    )  # fmt: skip
    assert "Did not start at 02:14, learned at 05:31" in words.sentence(late, ZONE, NOW).seen


def test_nothing_is_claimed_of_a_mains_never_heard() -> None:
    said = words.sentence(finding("failed_start", attempts=3), ZONE, NOW)
    assert "mains" not in said.seen


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(40, "40 s"), (1500, "25 min"), (7 * 3600, "7 h"), (3 * 86400 + 4 * 3600, "3 d 4 h"),
     (12 * 86400 + 3600, "12 d")],
)  # fmt: skip
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
    [(0.9312, 0.99939, "93 to 99.9 %"), (0.909523, 0.999903, "90 to 99.9 %"),
     (0.627, 0.913, "62 to 92 %"), (0.9941, 0.9999999, "99.4 to 99.9 %"), (0.0, 1.0, "0 to 100 %")],
)  # fmt: skip
def test_an_interval_is_never_said_narrower_than_it_is(low: float, high: float, said: str) -> None:
    """Rounded outwards; 100 % is only said of 100 %."""
    assert words.percent_range(low, high) == said
