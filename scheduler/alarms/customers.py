"""Which customers are reminded of an exercise or of work due, and when: pure, once a week each.

Off unless the office allowed it for that customer. Only of fixed sets placed outdoors or in a
built engine room, never of one that is portable or whose place is unknown (ENGINEERING 15): who
is reminded of such a set may run it where people breathe.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import time

import msgspec

from fleet.calendar import local
from fleet.model import Contact, DueItem, Finding, Notice, Placement
from fleet.words import customers as say
from scheduler.alarms.telling import notice_id

REMIND_WEEKDAY = 0
REMIND_FROM, REMIND_TO = time(10, 0), time(18, 0)
"""Mondays, when people read mail. Common practice, no source."""
PLACED: frozenset[Placement] = frozenset({"outdoors", "engine_room"})
MISSED = "exercise_missed"
LATE = frozenset({"due", "late", "late_beyond"})


class Reader(msgspec.Struct, frozen=True, kw_only=True):
    """A customer's contact. allowed: the office said that this customer may be written."""

    contact: Contact
    customer: str
    zone: str = "UTC"
    allowed: bool = False


class OwnedSet(msgspec.Struct, frozen=True, kw_only=True):
    """A customer's set: where it stands, what was found of it and what is due."""

    unit: str
    customer: str
    place: str
    placement: Placement = "unknown"
    findings: tuple[Finding, ...] = ()
    due: tuple[DueItem, ...] = ()


def customer_reminders(
    readers: Iterable[Reader], sets: Sequence[OwnedSet], firm: str, now: int
) -> list[Notice]:
    """One digest a week to each customer that may be written and has something to read.

    now: UTC seconds. Mondays 10:00 to 18:00 in the reader's zone; by e-mail only. The cause is
    `reminder`, the customer and the local date, so that it is sent once.
    """
    found: list[Notice] = []
    for reader in readers:
        there = local(now, reader.contact.zone or reader.zone)
        due = there.weekday() == REMIND_WEEKDAY and REMIND_FROM <= there.time() < REMIND_TO
        if not (reader.allowed and due and "email" in reader.contact.ways):
            continue
        own = [one for one in sets if one.customer == reader.customer]
        lines = [line for one in own for line in _lines(one)]
        if lines:
            cause = f"reminder:{reader.customer}:{there.date().isoformat()}"
            subject, body = say.reminder(firm, lines)
            person = reader.contact.person
            found.append(
                Notice(
                    id=notice_id(cause, "1", person, "email"), cause=cause, step="1",
                    person=person, way="email", kind="reminder", subject=subject, body=body,
                    made_at=now, not_before=now, customer=reader.customer,
                )
            )  # fmt: skip
    return found


def _lines(one: OwnedSet) -> list[str]:
    if one.placement not in PLACED:
        return []
    missed = [f for f in one.findings if f.kind == MISSED]
    lines = [say.exercise_line(one.place, int(f.facts.get("times") or 1)) for f in missed]
    late = [item for item in one.due if item.state in LATE]
    return lines + [say.service_line(one.place, item.name, item.due_on) for item in late]
