"""Local dates and the nights the clock changes."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet import calendar


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def test_months_are_counted_from_the_anchor() -> None:
    """docs/engineering/service.md#due: 31 January + 1 month = last of February, then 31 March."""
    anchor = date(2025, 1, 31)
    assert [calendar.add_months(anchor, n) for n in (1, 2, 3)] == [
        date(2025, 2, 28),
        date(2025, 3, 31),
        date(2025, 4, 30),
    ]
    assert calendar.add_months(date(2024, 2, 29), 12) == date(2025, 2, 28)
    assert calendar.add_months(date(2024, 2, 29), 48) == date(2028, 2, 29)
    assert calendar.add_months(date(2025, 1, 15), -1) == date(2024, 12, 15)


@pytest.mark.parametrize(
    ("day", "hours"),
    [("2020-03-29", 23), ("2020-10-25", 25), ("2020-06-01", 24)],
)
def test_length_of_a_local_day_in_berlin(day: str, hours: int) -> None:
    """Field case 10: the night the clocks go back is one day of 25 h."""
    start, end = calendar.day_bounds(date.fromisoformat(day), "Europe/Berlin")
    assert end - start == hours * 3600


def test_two_starts_in_the_hour_that_comes_twice_are_one_day() -> None:
    """Field case 10: 00:30Z and 01:30Z are both 02:30 on 2020-10-25."""
    moments = [utc("2020-10-25T00:30"), utc("2020-10-25T01:30")]
    assert {calendar.local_date(at, "Europe/Berlin") for at in moments} == {date(2020, 10, 25)}
    assert {calendar.local(at, "Europe/Berlin").time() for at in moments} == {time(2, 30)}


@pytest.mark.parametrize(
    ("day", "wall", "zone", "expected"),
    [
        # field case 27: 10:00 on the wall at Chicago on both sides of both changes
        ("2026-03-03", "10:00", "America/Chicago", "2026-03-03T16:00"),
        ("2026-03-10", "10:00", "America/Chicago", "2026-03-10T15:00"),
        ("2026-11-03", "10:00", "America/Chicago", "2026-11-03T16:00"),
        # RFC 5545 3.3.5: 02:30 does not exist there and is read as 03:30 CDT
        ("2026-03-08", "02:30", "America/Chicago", "2026-03-08T08:30"),
        # RFC 5545 3.3.5 gives this one itself: TZID=America/New_York:20070311T023000 is 03:30 EDT
        ("2007-03-11", "02:30", "America/New_York", "2007-03-11T07:30"),
        # ... and 20071104T013000 comes twice: the first, EDT
        ("2007-11-04", "01:30", "America/New_York", "2007-11-04T05:30"),
    ],
)
def test_wall_clock_to_utc(day: str, wall: str, zone: str, expected: str) -> None:
    at = calendar.instant(date.fromisoformat(day), time.fromisoformat(wall), zone)
    assert at == utc(expected)


def test_a_midnight_that_does_not_exist_begins_the_day_at_one() -> None:
    """Cairo went from 00:00 to 01:00 on 2024-04-26: the day has 23 h and begins at 22:00Z."""
    start, end = calendar.day_bounds(date(2024, 4, 26), "Africa/Cairo")
    assert start == utc("2024-04-25T22:00")
    assert end - start == 23 * 3600


def test_a_day_that_was_skipped_has_no_length() -> None:
    """Samoa had no 30 December 2011."""
    start, end = calendar.day_bounds(date(2011, 12, 30), "Pacific/Apia")
    assert start == end


def test_an_unknown_zone_says_so() -> None:
    with pytest.raises(calendar.ZoneUnknown, match="IANA"):
        calendar.zone("Mars/Olympus")
    with pytest.raises(calendar.ZoneUnknown):
        calendar.zone("../etc/passwd")


ZONES = st.sampled_from(
    [
        "UTC",
        "Europe/Berlin",
        "America/Chicago",
        "Australia/Lord_Howe",
        "Asia/Kathmandu",
        "Pacific/Apia",
        "Africa/Cairo",
        "America/Havana",
    ]
)
MOMENTS = st.integers(utc("2008-01-01"), utc("2036-01-01"))


@given(MOMENTS, ZONES)
def test_every_instant_lies_in_its_own_local_day(at: int, zone: str) -> None:
    day = calendar.local_date(at, zone)
    start, end = calendar.day_bounds(day, zone)
    assert start <= at < end
    assert calendar.next_midnight(at, zone) == end
    assert calendar.day_bounds(day + timedelta(days=1), zone)[0] == end


@given(st.dates(date(1950, 1, 1), date(2150, 1, 1)), st.integers(0, 600))
def test_months_go_forward_and_never_past_the_month(anchor: date, months: int) -> None:
    later = calendar.add_months(anchor, months)
    assert (later.year * 12 + later.month) - (anchor.year * 12 + anchor.month) == months
    assert later.day <= anchor.day
    assert later.day == anchor.day or (later + timedelta(days=1)).day == 1


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("europe/berlin", "Europe/Berlin"),
        (" EUROPE / BERLIN ", "Europe/Berlin"),
        ("america/new york", "America/New_York"),
        ("America/NEW_york", "America/New_York"),
        ("America/Port-Au-Prince", "America/Port-au-Prince"),
        ("utc", "UTC"),
        ("gmt", "GMT"),
        ("asia/calcutta", "Asia/Calcutta"),
        ("etc/gmt+5", "Etc/GMT+5"),
        ("etc/gmt-5", "Etc/GMT-5"),
    ],
)
def test_a_zone_is_known_however_it_is_typed(typed: str, name: str) -> None:
    assert calendar.zone_named(typed) == name


@pytest.mark.parametrize(
    ("typed", "near"),
    [
        ("Berlin", "Europe/Berlin"),
        ("Europe/Berln", "Europe/Berlin"),
        ("new_york", "America/New_York"),
    ],
)
def test_an_unknown_zone_names_the_nearest(typed: str, near: str) -> None:
    with pytest.raises(calendar.ZoneUnknown, match=f"Did you mean .*{near}"):
        calendar.zone_named(typed)


@given(
    name=st.sampled_from(sorted(available_timezones() - {"Factory", "localtime"})), pick=st.data()
)
def test_every_zone_is_found_in_any_letters(name: str, pick: st.DataObject) -> None:
    typed = "".join(pick.draw(st.sampled_from([c.upper(), c.lower()])) for c in name)
    assert calendar.zone_named(typed.replace("_", " ")) == name
