"""The quiet hours of a person, and the first moment at which whoever holds the duty phone is up.

They are what the person's wall shows, clock changes or not: nothing that does not wake leaves while
it shows a time inside them. In a night that shows a time twice both are meant; hours that end at a
time which the clocks skip are over when it would have been (RFC 5545, 3.3.5).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, time, timedelta

from fleet.calendar import instant, local, local_date
from fleet.model import Contact, QuietHours, Rota
from scheduler.alarms.rota import handover_after, recipient_at

DEFAULT = QuietHours()


def is_quiet(hours: QuietHours, at: int, zone: str) -> bool:
    """Whether the wall shows a time inside the quiet hours at a moment (UTC seconds)."""
    wall = local(at, zone).time()
    begins, ends = time.fromisoformat(hours.begins), time.fromisoformat(hours.ends)
    if begins <= ends:
        return begins <= wall < ends
    return wall >= begins or wall < ends


def awake_from(hours: QuietHours, at: int, zone: str) -> int:
    """The first moment at or after `at` outside the quiet hours (UTC seconds)."""
    return next_morning(at, zone, hours) if is_quiet(hours, at, zone) else at


def next_morning(at: int, zone: str, hours: QuietHours = DEFAULT) -> int:
    """The first end of the quiet hours at or after a moment (UTC seconds)."""
    day = local_date(at, zone)
    return min(end for end in _ends(hours, day, zone) if end >= at)


def last_morning(at: int, zone: str, hours: QuietHours = DEFAULT) -> int:
    """The last end of the quiet hours at or before a moment (UTC seconds)."""
    day = local_date(at, zone)
    return max(end for end in _ends(hours, day, zone) if end <= at)


def _ends(hours: QuietHours, day: date, zone: str) -> list[int]:
    """Their ends from the day before to the day after next, both where the wall shows one twice."""
    wall = time.fromisoformat(hours.ends)
    found = []
    for days in (-2, -1, 0, 1, 2):
        on = day + timedelta(days=days)
        found.append(instant(on, wall, zone))
        again = instant(on, wall.replace(fold=1), zone)
        if local(again, zone).time() == wall:
            found.append(again)
    return found


def zone_of(contact: Contact | None, rota: Rota) -> str:
    """Where the wall of a person's quiet hours is."""
    return (contact.zone if contact else "") or rota.zone


def quiet_now(contact: Contact, rota: Rota, at: int) -> bool:
    """Whether a person has quiet hours at a moment."""
    return is_quiet(contact.quiet, at, zone_of(contact, rota))


def next_up(people: Sequence[Contact], rota: Rota, at: int) -> int:
    """The first moment at or after `at` at which whoever holds the duty phone at that moment has no
    quiet hours (UTC seconds).

    The phone may pass on meanwhile: to somebody who is up already, or to somebody whose own quiet
    hours run longer. Each moment that is tried is later than the one before it.
    """
    while True:
        contact = recipient_at(rota, people, at)
        hours = contact.quiet if contact else DEFAULT
        free = awake_from(hours, at, zone_of(contact, rota))
        if free == at:
            return at
        passes = handover_after(rota, at)
        at = passes if at < passes < free else free


def morning_of_holder(people: Sequence[Contact], rota: Rota, at: int) -> int:
    """When what is never told at once is told: after the next end of the quiet hours of the holder
    at `at`, to whoever holds the phone and is up then (UTC seconds)."""
    contact = recipient_at(rota, people, at)
    hours = contact.quiet if contact else DEFAULT
    return next_up(people, rota, next_morning(at, zone_of(contact, rota), hours))
