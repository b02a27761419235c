"""A technician's visits as a calendar (RFC 5545): stable UIDs, rising sequences. Pure.

A visit is on the clock of its site, by TZID with the VTIMEZONE it needs (3.6.5), so that a calendar
shows the hour that the customer was told wherever the phone is. Of the hour that comes twice a local
time says the first (3.3.5): a visit in the second is in UTC.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

from icalendar import Calendar, Event, Timezone, TimezoneDaylight, TimezoneStandard

from fleet import calendar
from fleet.registry.office.rounds_feed import ToldEvent

PRODUCT = "-//Hourhand//rounds//EN"
FRESH = timedelta(minutes=15)
DAY = 86_400
"""Seconds, 24 h of 3,600. Arithmetic."""


def calendar_of(name: str, technician: str, told: Iterable[ToldEvent]) -> bytes:
    """The calendar of one technician. name: what it is called in the technician's own program."""
    made = Calendar()
    made.add("prodid", PRODUCT)
    made.add("version", "2.0")
    made.add("method", "PUBLISH")
    made.add("uid", f"rounds-{technician}@hourhand")
    made.add("name", name)
    made.add("x-wr-calname", name)
    made.add("refresh-interval", FRESH, parameters={"value": "DURATION"})
    events = list(told)
    for zone, years in sorted(_zones(events).items()):
        made.add_component(_zone(zone, *years))
    for one in events:
        made.add_component(_event(one))
    text: bytes = made.to_ical()
    return text


def _zones(told: Iterable[ToldEvent]) -> dict[str, tuple[int, int]]:
    """Years from the first to the last visit in each zone."""
    found: dict[str, tuple[int, int]] = {}
    for one in told:
        for at in (one.event.start, one.event.end):
            moment = _wall(at, one.event.zone)
            if moment.tzinfo is not UTC:
                first, last = found.get(one.event.zone, (moment.year, moment.year))
                found[one.event.zone] = (min(first, moment.year), max(last, moment.year))
    return found


@lru_cache(maxsize=64)
def _zone(name: str, first: int, last: int) -> Timezone:
    """The zone's changes from the year before those to the year after (RFC 5545, 3.6.5).

    Every day is asked: a clock may be put back for one month of a year, and not the same each year.
    """
    begin = int(datetime(first - 1, 1, 1, tzinfo=UTC).timestamp())
    end = int(datetime(last + 2, 1, 1, tzinfo=UTC).timestamp())
    onsets: dict[tuple[timedelta, _Rule], list[datetime]] = {}
    before = _rule(begin, name)
    onsets[before.offset, before] = [_local(begin, before.offset)]
    for at in range(begin + DAY, end + DAY, DAY):
        change = at - DAY
        while _rule(at, name) != before:
            change = _change(change, at, name)
            after = _rule(change, name)
            onsets.setdefault((before.offset, after), []).append(_local(change, before.offset))
            before = after
    made = Timezone()
    made.add("tzid", name)
    for (offset, rule), starts in onsets.items():
        part = TimezoneDaylight() if rule.saving else TimezoneStandard()
        part.TZOFFSETFROM, part.TZOFFSETTO = offset, rule.offset
        part.add("tzname", rule.name)
        part.DTSTART = starts[0]
        if starts[1:]:
            part.add("rdate", starts[1:])
        made.add_component(part)
    return made


class _Rule(NamedTuple):
    """What a zone's clock does: its offset from UTC, whether that is summer time, its short name."""

    offset: timedelta
    saving: bool
    name: str


def _rule(at: int, zone: str) -> _Rule:
    wall = calendar.local(at, zone)
    offset = wall.utcoffset() or timedelta()
    return _Rule(offset, bool(wall.dst()), wall.tzname() or str(offset))


def _change(low: int, high: int, zone: str) -> int:
    """The first second after `low`, to `high`, with another rule than at `low`."""
    before = _rule(low, zone)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _rule(middle, zone) == before else (low, middle)
    return high


def _local(at: int, offset: timedelta) -> datetime:
    """The time on a clock of that offset, without a zone."""
    return (_at(at) + offset).replace(tzinfo=None)


def _event(one: ToldEvent) -> Event:
    event, visit = Event(), one.event
    event.add("uid", visit.uid)
    event.add("sequence", one.sequence)
    event.add("dtstamp", _at(one.changed_at))
    event.add("last-modified", _at(one.changed_at))
    event.add("dtstart", _wall(visit.start, visit.zone))
    event.add("dtend", _wall(visit.end, visit.zone))
    event.add("summary", _plain(visit.summary))
    event.add("status", "CANCELLED" if one.cancelled else "CONFIRMED")
    if visit.place:
        event.add("location", _plain(visit.place))
    if visit.text:
        event.add("description", _plain(visit.text))
    if visit.lat is not None and visit.lon is not None:
        event.add("geo", (round(visit.lat, 6), round(visit.lon, 6)))
    return event


def _at(seconds: int) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _wall(seconds: int, zone: str) -> datetime:
    """The clock of a zone, where it says that moment and no other; else UTC."""
    moment = _at(seconds)
    if not zone or zone == "UTC":
        return moment
    wall = calendar.local(seconds, zone)
    return moment if wall.fold else wall


def _plain(text: str) -> str:
    """Without control signs other than the line feed (RFC 5545, 3.3.11)."""
    return "".join(sign for sign in text if sign == "\n" or (sign >= " " and sign != "\x7f"))
