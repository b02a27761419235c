"""Weekly hours and half-days as moments, in the site's zone; summer time is dealt with here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, time, timedelta

from fleet.calendar import day_bounds, instant, local
from scheduler.rounds.model import Half, Span

MORNING = (time(8), time(12))
AFTERNOON = (time(12), time(17))
"""What a customer is promised; common practice, no source."""


def days_from(first_day: str, days: int) -> tuple[str, ...]:
    """So many ISO dates from the first one on."""
    first = date.fromisoformat(first_day)
    return tuple((first + timedelta(days=n)).isoformat() for n in range(days))


def weekly(
    hours: Mapping[int, Sequence[tuple[str, str]]], first_day: str, days: int, zone: str
) -> tuple[Span, ...]:
    """The moments of weekly hours: weekday (Monday is 0) to ("08:00", "12:00") pairs.

    An end of "24:00" is midnight. Raises ValueError for a time that is none.
    """
    found = []
    for day in days_from(first_day, days):
        on = date.fromisoformat(day)
        for opens, closes in hours.get(on.weekday(), ()):
            end = day_bounds(on, zone)[1] if closes == "24:00" else _at(on, closes, zone)
            found.append(Span(_at(on, opens, zone), end))
    return tuple(found)


def half_day(day: str, half: Half, zone: str) -> Span:
    """The morning (8 to 12) or afternoon (12 to 17) of a local day."""
    on = date.fromisoformat(day)
    begin, end = MORNING if half == "morning" else AFTERNOON
    return Span(instant(on, begin, zone), instant(on, end, zone))


def half_of(at: int, zone: str) -> tuple[str, Half]:
    """The local day and half-day a moment belongs to (before noon: morning)."""
    moment = local(at, zone)
    return moment.date().isoformat(), "morning" if moment.hour < 12 else "afternoon"


def _at(day: date, wall: str, zone: str) -> int:
    return instant(day, time.fromisoformat(wall), zone)
