"""Sentences say what was seen, then what to do, and send nobody to a set without cautions."""

from __future__ import annotations

import re

import pytest
from found import finding as made
from said_samples import NOW, SAMPLES, ZONE, finding

from fleet import words
from fleet.findings import ROWS, row_of
from fleet.model import Finding


def test_every_kind_has_a_sample() -> None:
    assert {f.kind for f in SAMPLES} == {row.kind for row in ROWS} - {"earlier"}


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
    if row_of(sample.facts).sends:
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
    late = made(
        "failed_start",
        severity="act_now",
        since=NOW - 4 * 3600 - 46 * 60,
        learned_at=NOW - 89 * 60,
        facts={"attempts": 3},
    )
    assert "Did not start at 02:14, learned at 05:31" in words.sentence(late, ZONE, NOW).seen


def test_lateness_is_said_once() -> None:
    """The reason of a due task ends in its days over; the sentence begins with them."""
    late = finding(
        "service_due",
        name="Spark plugs",
        binds="calendar",
        late_days=78,
        reason="12 months since 11 Sep 2025; 78 days over",
    )
    said = "Spark plugs: 78 days late. 12 months since 11 Sep 2025."
    assert words.sentence(late, ZONE, NOW).seen == said


def test_a_charger_says_its_usual_volts_once_where_they_are_one() -> None:
    usual = {"usual_low_v": 13.61, "usual_high_v": 13.64}
    said = words.sentence(finding("over_charge", **usual), ZONE, NOW).seen
    assert "usual for this set: 13.6 V" in said


def test_starts_lie_between_two_ends() -> None:
    said = words.sentence(finding("starts_unreliable", low=0.68, high=0.95), ZONE, NOW).seen
    assert "lie between 68 and 95 %" in said


@pytest.mark.parametrize(
    ("area", "place", "where"),
    [
        ("North", "North", "in North"),
        ("near fern-tower-yard", "Near Fern Tower", "near Fern Tower"),
        ("near fern-tower-yard", "Near each other", "near each other"),
        ("near fern-tower-yard", "", "at sites nearby"),
        ("", "", "in the area"),
    ],
)
def test_an_outage_is_where_people_call_it_and_no_id(area: str, place: str, where: str) -> None:
    told = finding("mains_outage", area=area, place=place, sets=3, sites=2)
    assert words.sentence(told, ZONE, NOW).seen.startswith(f"No mains {where} since ")


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
    ("value", "said"),
    [
        (9_999.8, "9,999 h"),
        (99.96, "99.9 h"),
        (12.3, "12.3 h"),
        (0.1 + 0.2, "0.3 h"),
        (249.9999999, "250 h"),
        (250.0, "250 h"),
        (-0.26, "-0.2 h"),
        (0.0, "0.0 h"),
    ],
)
def test_hours_not_run_yet_are_never_said(value: float, said: str) -> None:
    """Cut as a meter shows them, so that nobody reads hours that the engine has not run."""
    assert words.hours(value) == said


def test_how_far_hours_may_be_out_is_never_said_smaller_than_it_is() -> None:
    assert [words.hours_at_most(value) for value in (0.4, 0.41, 99.91, 120.2)] == [
        "0.4 h",
        "0.5 h",
        "100 h",
        "121 h",
    ]


def test_a_range_whose_ends_read_alike_is_one_value() -> None:
    assert words.ends("13.6", "13.6") == "13.6"
    assert words.ends("13.6", "13.9") == "13.6 to 13.9"
    assert words.percent_range(0.68, 0.95, " and ") == "68 and 95 %"


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
