"""Which customers are written to, of what and when: pure.

Once a week of exercises missed and work due; in an outage what a person of the firm sends. Off
unless the office allowed it for that customer. Only of fixed sets placed outdoors or in a built
engine room, never of one that is portable or whose place is unknown
(docs/engineering/cautions.md#customers): who reads of such a set may run it where people breathe.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import time

import msgspec

from fleet.calendar import local
from fleet.findings.exercise import ExerciseMissed
from fleet.model import (
    Contact,
    Cover,
    DueItem,
    Finding,
    Notice,
    Outage,
    OutageMember,
    Placement,
)
from fleet.words import customer_sentences as say
from scheduler.alarms.notification import notice_id

REMIND_WEEKDAY = 0
REMIND_FROM, REMIND_TO = time(10, 0), time(18, 0)
"""Mondays, when people read mail. Common practice, no source."""
PLACED: frozenset[Placement] = frozenset({"outdoors", "engine_room"})
POWER: dict[Cover, say.Power] = {
    "failed": "not_powered",
    "not_running": "not_powered",
    "no_voltage": "not_powered",
    "aside": "not_powered",
    "unproven": "unknown",
    "waiting": "unknown",
    "low_fuel": "powered",
}
"""What a customer reads of its site in an outage; nothing where it is covered or has
mains again, nor of bad output: there the call comes first."""
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
                    id=notice_id(cause, "1", person, "email"),
                    cause=cause,
                    step="1",
                    person=person,
                    way="email",
                    kind="reminder",
                    subject=subject,
                    body=body,
                    made_at=now,
                    not_before=now,
                    customer=reader.customer,
                )
            )
    return found


def fares(outage: Outage, member: OutageMember, place: str, at: str) -> say.Fares | None:
    """What a customer reads of a site in an outage; None where no text is for it: it is covered or
    has mains again, the outage is over or went into its area's. at: the present moment on the
    site's wall."""
    power = POWER.get(member.cover)
    over = outage.ended_at is not None or outage.into or member.back_at is not None
    if power is None or over:
        return None
    return say.Fares(
        place=place, at=at, power=power, here=member.here, low=member.cover == "low_fuel"
    )


def outage_notices(
    readers: Iterable[Reader],
    outage: Outage,
    member: OutageMember,
    placement: Placement,
    said: say.Fares,
    firm: str,
    now: int,
) -> list[Notice]:
    """An e-mail of `fares` to each of the customer's readers who may be written; now: UTC seconds.

    The same notice for one outage, set, person and state of power, whenever it is worked out again.
    Its cause is the outage, so that one that could not leave yet is withdrawn when that is over.
    """
    subject, body = say.outage_mail(firm, said)
    return [
        Notice(
            id=notice_id(outage.id, step, reader.contact.person, "email"),
            cause=outage.id,
            step=step,
            person=reader.contact.person,
            way="email",
            kind="customer_text",
            subject=subject,
            body=body,
            made_at=now,
            not_before=now,
            path=f"/outages/{outage.id}",
            unit=member.unit,
            customer=member.customer,
        )
        for step in (f"customer.{member.unit}.{said.power}",)
        for reader in readers
        if reader.allowed
        and reader.customer == member.customer
        and placement in PLACED
        and "email" in reader.contact.ways
    ]


def _lines(one: OwnedSet) -> list[str]:
    if one.placement not in PLACED:
        return []
    missed = [f.facts for f in one.findings if isinstance(f.facts, ExerciseMissed)]
    lines = [say.exercise_line(one.place, facts.times) for facts in missed]
    late = [item for item in one.due if item.state in LATE]
    if late:
        since = min((item.due_on for item in late if item.due_on), default=None)
        lines.append(say.service_line(one.place, since))
    return lines
