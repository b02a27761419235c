"""Recurrences on the wall clock: RFC 5545, field case 27, nights on which the clock changes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz
from dateutil.rrule import DAILY, FR, MO, MONTHLY, SA, SU, TH, TU, WE, WEEKLY, YEARLY, rrule
from exercises import BERLIN, DAY_S, RULE, WEEK_S, at, utc
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.rules.exercise import between, following, instants

CHICAGO = "America/Chicago"
AUCKLAND = "Pacific/Auckland"
ZONES = (
    BERLIN,
    CHICAGO,
    AUCKLAND,
    "Australia/Lord_Howe",
    "UTC",
    "Asia/Kolkata",
    "America/St_Johns",
)


def starts(rule: str, zone: str, first: str, last: str) -> list[int]:
    return [due.at for due in instants(rule, zone, utc(first), utc(last))]


def test_a_weekly_exercise_stays_at_ten_on_the_wall() -> None:
    """Field case 27: every Tuesday 10:00 America/Chicago, across 2026-03-08 and 2026-11-01."""
    rule = "DTSTART:20260106T100000\nRRULE:FREQ=WEEKLY;BYDAY=TU"
    found = starts(rule, CHICAGO, "2026-02-24T00:00Z", "2026-11-08T00:00Z")
    by_day = {datetime.fromtimestamp(s, UTC).strftime("%m-%d"): s for s in found}
    assert by_day["03-03"] == utc("2026-03-03T16:00Z")
    assert by_day["03-10"] == utc("2026-03-10T15:00Z")
    assert by_day["10-27"] == utc("2026-10-27T15:00Z")
    assert by_day["11-03"] == utc("2026-11-03T16:00Z")
    assert len(found) == 37, "every Tuesday once: 24 February to 3 November"


def test_a_local_time_that_does_not_exist_is_read_with_the_offset_before_the_gap() -> None:
    """Field case 27, RFC 5545 3.3.5: on 2026-03-08 in Chicago 02:30 is 03:30, once."""
    daily = "DTSTART:20260301T023000\nRRULE:FREQ=DAILY"
    found = starts(daily, CHICAGO, "2026-03-07T06:00Z", "2026-03-10T05:00Z")
    assert found == [utc("2026-03-07T08:30Z"), utc("2026-03-08T08:30Z"), utc("2026-03-09T07:30Z")]
    both = "DTSTART:20260301T023000\nRRULE:FREQ=DAILY;BYHOUR=2,3;BYMINUTE=30"
    night = starts(both, CHICAGO, "2026-03-08T06:00Z", "2026-03-09T05:00Z")
    assert night == [utc("2026-03-08T08:30Z")], "02:30 and 03:30 are one instant: once"


def test_the_hour_that_comes_twice_is_its_first() -> None:
    """Field case 10's night, Europe/Berlin 2020-10-25: 02:30 is 00:30Z and 01:30Z; due once."""
    daily = "DTSTART:20201001T023000\nRRULE:FREQ=DAILY"
    found = starts(daily, BERLIN, "2020-10-24T22:00Z", "2020-10-25T23:00Z")
    assert found == [utc("2020-10-25T00:30Z")]


@pytest.mark.parametrize(
    ("zone", "spring", "autumn"),
    [
        (BERLIN, "2026-03-29", "2026-10-25"),
        (CHICAGO, "2026-03-08", "2026-11-01"),
        (AUCKLAND, "2026-09-27", "2026-04-05"),
    ],
)
@pytest.mark.parametrize("wall", ["0000", "0130", "0200", "0230", "0259", "0300", "1000", "2345"])
def test_both_nights_lose_and_double_nothing(
    zone: str, spring: str, autumn: str, wall: str
) -> None:
    """Every local day of the fortnight around a change has one exercise, on that day."""
    for night in (spring, autumn):
        begin = datetime.fromisoformat(night) - timedelta(days=7)
        rule = f"DTSTART:{begin:%Y%m%d}T{wall}00\nRRULE:FREQ=DAILY"
        days = [(begin + timedelta(days=n)).date() for n in range(14)]
        first, last = at(f"{days[0]} 00:00", zone), at(f"{days[-1]} 23:59", zone)
        found = instants(rule, zone, first, last)
        local = [datetime.fromtimestamp(d.at, ZoneInfo(zone)).date() for d in found]
        assert local == days
        assert [d.wall[:10] for d in found] == [str(day) for day in days]


def test_a_rule_with_an_end_ends() -> None:
    rule = "DTSTART:20260106T100000\nRRULE:FREQ=WEEKLY;COUNT=3"
    assert len(starts(rule, BERLIN, "2026-01-01T00:00Z", "2030-01-01T00:00Z")) == 3
    assert following(rule, BERLIN, utc("2026-02-01T00:00Z")) is None


def test_the_next_one() -> None:
    coming = following(RULE, BERLIN, at("2026-01-06 10:00"))
    assert coming is not None
    assert (coming.at, coming.wall) == (at("2026-01-13 10:00"), "2026-01-13T10:00")


@pytest.mark.parametrize(
    "text", ["", "every Tuesday", "DTSTART:20260106T100000Z\nRRULE:FREQ=DAILY"]
)
def test_another_text_is_refused_in_words(text: str) -> None:
    with pytest.raises(ValueError, match="exercise"):
        instants(text, BERLIN, 0, utc("2026-03-01T00:00Z"))


DAYS = {"MO": MO, "TU": TU, "WE": WE, "TH": TH, "FR": FR, "SA": SA, "SU": SU}
FREQS = {"DAILY": DAILY, "WEEKLY": WEEKLY, "MONTHLY": MONTHLY, "YEARLY": YEARLY}


@settings(max_examples=150, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    minute=st.integers(0, 7 * 365 * 1440),
    freq=st.sampled_from(sorted(FREQS)),
    interval=st.integers(1, 5),
    days=st.sets(st.sampled_from(sorted(DAYS)), max_size=3),
    ahead=st.integers(0, 900),
    length=st.integers(1, 400),
)
def test_dateutil_says_the_same(
    zone: str, minute: int, freq: str, interval: int, days: set[str], ahead: int, length: int
) -> None:
    """The same rule built from its parts, expanded in local time, made instants by dateutil's own
    zones (`resolve_imaginary` reads a missing time with the offset before the gap)."""
    start = datetime.fromisoformat("2019-01-01") + timedelta(minutes=minute)
    by = f";BYDAY={','.join(sorted(days))}" if days and freq in ("WEEKLY", "DAILY") else ""
    text = f"DTSTART:{start:%Y%m%dT%H%M%S}\nRRULE:FREQ={freq};INTERVAL={interval}{by}"
    first = int(start.replace(tzinfo=UTC).timestamp()) + ahead * DAY_S
    last = first + length * DAY_S
    wide = start + timedelta(days=ahead + length + 3)
    walls = rrule(
        FREQS[freq],
        dtstart=start,
        interval=interval,
        until=wide,
        byweekday=[DAYS[d] for d in sorted(days)] if by else None,
    )
    there = tz.gettz(zone)
    expected = {
        int(tz.resolve_imaginary(wall.replace(tzinfo=there, fold=0)).timestamp()) for wall in walls
    }
    found = [due.at for due in instants(text, zone, first, last)]
    assert found == sorted(s for s in expected if first <= s < last)


@given(cuts=st.lists(st.integers(0, 200), max_size=5), zone=st.sampled_from(ZONES))
def test_a_stretch_cut_in_parts_gives_the_same(cuts: list[int], zone: str) -> None:
    rule = "DTSTART:20260101T013000\nRRULE:FREQ=DAILY;INTERVAL=2"
    begin = utc("2026-02-01T00:00Z") // DAY_S
    edges = sorted({0, 200, *cuts})
    parts = [due for a, b in pairwise(edges) for due in between(rule, zone, begin + a, begin + b)]
    assert tuple(parts) == between(rule, zone, begin, begin + 200)


@given(weeks=st.integers(1, 60))
def test_moved_by_whole_weeks_it_is_the_same_rule(weeks: int) -> None:
    """Where the clock does not change, a rule moved by whole weeks moves its instants by them."""
    moved = datetime.fromisoformat("2026-01-06T10:00") + timedelta(weeks=weeks)
    other = f"DTSTART:{moved:%Y%m%dT%H%M%S}\nRRULE:FREQ=WEEKLY;INTERVAL=2;BYDAY=TU"
    base = "DTSTART:20260106T100000\nRRULE:FREQ=WEEKLY;INTERVAL=2;BYDAY=TU"
    begin, length = utc("2026-01-01T00:00Z"), 20 * WEEK_S
    shift = weeks * WEEK_S
    one = [d.at + shift for d in instants(base, "UTC", begin, begin + length)]
    assert [d.at for d in instants(other, "UTC", begin + shift, begin + shift + length)] == one
