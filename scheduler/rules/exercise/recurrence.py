"""When an exercise was agreed: RFC 5545 recurrences on the wall clock of a site.

The rule is expanded in local time (the wall), then each wall time becomes an instant: one that
does not exist is read with the offset before the gap, one that comes twice is its first
occurrence (RFC 5545 3.3.5), and two that become the same instant are one.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache
from itertools import islice

import msgspec
from dateutil.rrule import rrule, rruleset, rrulestr

from fleet.calendar import instant, local

FAR_DAYS = 800
"""How far ahead the next occurrence is looked for. Definition."""
MOST = 3000
"""Occurrences looked at in one stretch; a daily exercise over eight years. Definition."""


class Due(msgspec.Struct, frozen=True, kw_only=True):
    """One occurrence: its instant (UTC seconds) and its wall time (ISO, no zone)."""

    at: int
    wall: str


@lru_cache(maxsize=4096)
def rule(text: str) -> rrule | rruleset:
    """The recurrence of 'DTSTART:...' and 'RRULE:...' lines. Raises ValueError on another text.

    Gives: a rule that yields dates. Source: RFC 5545, 3.3.10 and 3.8.5.3.
    """
    try:
        found = rrulestr(text)
    except (ValueError, TypeError, KeyError, AttributeError) as fault:
        raise ValueError(f"the exercise {text[:80]!r} is no recurrence of RFC 5545") from fault
    return found


def instants(text: str, zone: str, start: int, end: int) -> tuple[Due, ...]:
    """Occurrences with start <= instant < end (UTC seconds), rising, each instant once.

    Raises ValueError on a rule that is none or that is zoned, ZoneUnknown on a zone that is none.

    Gives: moments [UTC s], each with its time on the wall. Source: RFC 5545, 3.3.5 (a local time
    that does not exist, one that comes twice).
    """
    if end <= start:
        return ()
    wide = timedelta(days=1)
    first = local(start, zone).replace(tzinfo=None) - wide
    last = local(end, zone).replace(tzinfo=None) + wide
    found: dict[int, Due] = {}
    try:
        for wall in islice(rule(text).xafter(first, inc=True), MOST):
            if wall > last:
                break
            at = _at(wall, zone)
            if start <= at < end and at not in found:
                found[at] = Due(at=at, wall=wall.isoformat(timespec="minutes"))
    except TypeError as fault:
        raise ValueError(f"the exercise {text[:80]!r} must be in local time, no zone") from fault
    return tuple(found[at] for at in sorted(found))


@lru_cache(maxsize=4096)
def between(text: str, zone: str, first_day: int, last_day: int) -> tuple[Due, ...]:
    """`instants` of whole UTC days [first_day, last_day), remembered: a fleet asks every hour.

    Gives: moments [UTC s]. Source: RFC 5545, 3.3.5, as `instants`.
    """
    return instants(text, zone, first_day * 86_400, last_day * 86_400)


def following(text: str, zone: str, after: int) -> Due | None:
    """The first occurrence after a moment; None when the rule has ended (or rests two years).

    Looked for in the next 40 days, then in 800.

    Gives: a moment [UTC s], or none. Source: RFC 5545, 3.3.5, as `instants`.
    """
    day = after // 86_400
    for reach in (40, FAR_DAYS):
        found = next((d for d in between(text, zone, day, day + reach) if d.at > after), None)
        if found is not None:
            return found
    return None


def _at(wall: datetime, zone: str) -> int:
    return instant(wall.date(), wall.time(), zone)
