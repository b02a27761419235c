"""A technician's visits as a calendar (RFC 5545): all in UTC, stable UIDs, rising sequences. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from icalendar import Calendar, Event

from fleet.registry.rounds_feed import ToldEvent

PRODUCT = "-//Hourhand//rounds//EN"
FRESH = timedelta(minutes=15)


def calendar_of(name: str, technician: str, told: Iterable[ToldEvent]) -> bytes:
    """The calendar of one technician. name: what it is called in the technician's own program."""
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("uid", f"rounds-{technician}@hourhand")
    calendar.add("name", name)
    calendar.add("x-wr-calname", name)
    calendar.add("refresh-interval", FRESH, parameters={"value": "DURATION"})
    for one in told:
        calendar.add_component(_event(one))
    text: bytes = calendar.to_ical()
    return text


def _event(one: ToldEvent) -> Event:
    event, visit = Event(), one.event
    event.add("uid", visit.uid)
    event.add("sequence", one.sequence)
    event.add("dtstamp", _at(one.changed_at))
    event.add("last-modified", _at(one.changed_at))
    event.add("dtstart", _at(visit.start))
    event.add("dtend", _at(visit.end))
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


def _plain(text: str) -> str:
    """Without control signs other than the line feed (RFC 5545, 3.3.11)."""
    return "".join(sign for sign in text if sign == "\n" or (sign >= " " and sign != "\x7f"))
