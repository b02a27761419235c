"""A visit in a calendar on the clock of its site, read back by a reader that knows RFC 5545 alone.

The reader has no zone data: it takes offsets from the feed's own VTIMEZONE (3.6.5), so it finds the
hour only where that is right.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from calendars import moment_of
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from dashboard.exports.calendars import calendar_of
from fleet.model.book import FeedEvent
from fleet.registry.office.rounds_feed import ToldEvent

Lines = list[tuple[str, dict[str, str], str]]
ZONES = (
    "Europe/London",
    "Europe/Berlin",
    "Europe/Dublin",
    "America/New_York",
    "America/St_Johns",
    "America/Sao_Paulo",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "Africa/Casablanca",
    "Pacific/Chatham",
    "UTC",
    "",
)


def told(zone: str, start: int, uid: str = "a@hourhand") -> ToldEvent:
    event = FeedEvent(
        uid=uid, technician="ana", start=start, end=start + 3600, summary="s", zone=zone
    )
    return ToldEvent(event=event, sequence=0, changed_at=start - 86_400, cancelled=False)


def lines_of(feed: bytes) -> Lines:
    """(name, parameters, value) of every unfolded line (3.1)."""
    found = []
    for line in feed.decode().replace("\r\n ", "").split("\r\n"):
        head, _, value = line.partition(":")
        name, *pairs = head.split(";")
        found.append((name, dict(pair.split("=", 1) for pair in pairs), value))
    return found


def offset_at(lines: Lines, zone: str, wall: datetime) -> timedelta:
    """The offset of the newest change on or before that local time, in the zone of that name."""
    best: tuple[datetime, timedelta] | None = None
    inside, held = "", dict[str, list[str]]()
    for name, _, value in lines:
        if name == "TZID":
            inside = value
        elif name == "BEGIN" and value in ("STANDARD", "DAYLIGHT"):
            held = {}
        elif name in ("DTSTART", "RDATE", "TZOFFSETTO", "TZOFFSETFROM", "RRULE"):
            held.setdefault(name, []).extend(value.split(","))
        elif name == "END" and value in ("STANDARD", "DAYLIGHT") and inside == zone:
            assert "RRULE" not in held
            for onset in (*held["DTSTART"], *held.get("RDATE", ())):
                at = local(onset)
                if at <= wall and (best is None or at > best[0]):
                    best = at, offset(held["TZOFFSETTO"][0])
    assert best is not None, f"{zone} is not described at {wall}"
    return best[1]


def local(text: str) -> datetime:
    """A local time (3.3.5, form 1), without a zone."""
    return datetime.strptime(text, "%Y%m%dT%H%M%S")  # noqa: DTZ007


def offset(text: str) -> timedelta:
    found = re.fullmatch(r"([+-])(\d\d)(\d\d)(\d\d)?", text)
    assert found is not None
    size = timedelta(hours=int(found[2]), minutes=int(found[3]), seconds=int(found[4] or 0))
    return -size if found[1] == "-" else size


def instant(lines: Lines, name: str) -> int:
    """UTC seconds of the only DTSTART or DTEND of a visit."""
    begin = lines.index(("BEGIN", {}, "VEVENT"))
    ((_, parameters, value),) = [line for line in lines[begin:] if line[0] == name]
    if value.endswith("Z"):
        return int(datetime.strptime(value, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC).timestamp())
    wall = local(value)
    moment = wall - offset_at(lines, parameters["TZID"], wall)
    return int(moment.replace(tzinfo=UTC).timestamp())


MOMENTS = st.one_of(
    st.integers(1_577_836_800, 2_208_988_800),  # 2020 to 2040
    st.builds(
        lambda day, minute: day + minute * 60,
        st.sampled_from(
            [1_792_886_400, 1_774_742_400, 1_793_491_200, 1_772_928_000, 1_790_985_600]
        ),
        st.integers(-1500, 1500),
    ),
)
"""Anywhen, and the days about changes of clocks in 2026: 25 October and 29 March (Europe),
1 November and 8 March (North America), 3 October (Lord Howe)."""


@given(st.sampled_from(ZONES), MOMENTS)
def test_a_visit_is_where_it_was_told_to_be(zone: str, start: int) -> None:
    feed = calendar_of("Ana", "ana", [told(zone, start)])
    lines = lines_of(feed)
    assert instant(lines, "DTSTART") == start
    assert instant(lines, "DTEND") == start + 3600
    event = Calendar.from_ical(feed).walk("VEVENT")[0]
    assert int(moment_of(event, "DTSTART").timestamp()) == start, "as another reader sees it"


@pytest.mark.parametrize("day", ["2026-02-15", "2026-03-22", "2031-12-14", "2032-01-18"])
def test_a_clock_put_back_for_five_weeks_is_described(day: str) -> None:
    """Morocco's clock stands an hour back in Ramadan: changes 35 days apart (IANA, `africa`)."""
    noon = int(datetime.fromisoformat(day + "T12:00Z").timestamp())
    for start in range(noon - 20 * 3600, noon + 20 * 3600, 1800):
        lines = lines_of(calendar_of("Ana", "ana", [told("Africa/Casablanca", start)]))
        assert instant(lines, "DTSTART") == start


def test_the_clock_is_the_sites_and_each_zone_stands_once() -> None:
    """9:00 in London and in Berlin, summer and winter."""
    moments = {
        "Europe/London": (1_784_102_400, 1_800_003_600),
        "Europe/Berlin": (1_784_098_800, 1_800_000_000),
    }
    feed = calendar_of(
        "Ana",
        "ana",
        [told(zone, at, f"{zone}{at}@hourhand") for zone, pair in moments.items() for at in pair],
    )
    lines = lines_of(feed)
    starts = [(p.get("TZID"), v) for n, p, v in lines if n == "DTSTART" and "TZID" in p]
    assert len(starts) == 4
    assert {zone for zone, _ in starts} == set(moments)
    assert {value[-6:] for _, value in starts} == {"090000"}
    assert [v for n, _, v in lines if n == "TZID"] == sorted(moments)
    assert [v for n, _, v in lines if n == "BEGIN"].index("VTIMEZONE") == 1, "before its visits"


def test_the_second_of_an_hour_that_comes_twice_is_in_utc() -> None:
    """01:30 on 2026-10-25 in London is 00:30Z and 01:30Z."""
    first, second = 1_792_888_200, 1_792_891_800
    said = [
        next(
            v
            for n, p, v in lines_of(calendar_of("A", "a", [told("Europe/London", at)]))
            if n == "DTSTART" and ("TZID" in p or v.endswith("Z"))
        )
        for at in (first, second)
    ]
    assert said == ["20261025T013000", "20261025T013000Z"]


def test_what_was_told_without_a_zone_stays_in_utc() -> None:
    feed = calendar_of("Ana", "ana", [told("", 1_784_102_400)])
    assert b"VTIMEZONE" not in feed
    assert b"DTSTART:20260715T080000Z" in feed
