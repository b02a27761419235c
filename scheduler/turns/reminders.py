"""What the calendar asks to be sent, put into the outbox once."""

from __future__ import annotations

import msgspec

from fleet import words
from fleet.findings.exercise import ExerciseMissed, ExerciseShort
from fleet.model import EVERYTHING, DueItem, Notice
from fleet.registry import lists, people
from fleet.registry.base.engine import Registry
from fleet.registry.told import outbox
from fleet.registry.told.customer_readers import customer_readers
from fleet.registry.told.outbox import put_notices
from fleet.words.alert_sentences import one_line
from scheduler.alarms import Office, customers, weekly
from scheduler.turns import alerting

LINES = 30
"""Sets that a letter names. A page's length."""
LATE = ("late_beyond", "late", "due")


def tell(registry: Registry, firm: str, now: int, to_customers: bool = False) -> int:
    """All quiet, the weekly test and reminders that are due at `now`; how many notices are new.

    to_customers: whether the office lets customers be written.
    """
    office = alerting.OfficeCache().now(registry, now)
    if not office.people:
        return 0
    cause = weekly.newest(office.rota, now)
    asked = bool(outbox.answers(registry, EVERYTHING, cause))
    told = weekly.weekly_test(office, firm, asked, now) if office.rota.people else []
    told += _quiet(registry, office, firm, now)
    told += _reminders(registry, office, firm, now)
    if to_customers:
        told += _customers(registry, firm, now)
    new = [one for one in told if not _known(registry, one)]
    put_notices(registry, new, now)
    return len(new)


def _customers(registry: Registry, firm: str, now: int) -> list[Notice]:
    """What customers are reminded of, those of them that may look at their sets' pages."""
    asked = [
        customers.Reader(contact=contact, customer=name, allowed=True)
        for contact, name in customer_readers(registry, EVERYTHING)
    ]
    if not asked:
        return []
    rows = lists.units(registry, EVERYTHING, limit=100_000)
    zones = {row.customer.id: row.site.time_zone for row in rows}
    due: dict[str, list[DueItem]] = {}
    for item, *_ in lists.due(registry, EVERYTHING, states=LATE):
        due.setdefault(item.unit, []).append(item)
    sets = [
        customers.OwnedSet(
            unit=row.unit.id,
            customer=row.customer.id,
            place=row.site.name,
            placement=row.unit.placement,
            due=tuple(due.get(row.unit.id, ())),
            findings=row.summary.findings if row.summary else (),
        )
        for row in rows
    ]
    zoned = [msgspec.structs.replace(one, zone=zones.get(one.customer, "UTC")) for one in asked]
    return customers.customer_reminders(zoned, sets, firm, now)


def _known(registry: Registry, notice: Notice) -> bool:
    """Sent before; of all quiet and reminders, whoever it was that got it."""
    held = outbox.of_cause(registry, EVERYTHING, notice.cause)
    if notice.kind == "all_quiet":
        return bool(held)
    return any(one.id == notice.id for one in held)


def _quiet(registry: Registry, office: Office, firm: str, now: int) -> list[Notice]:
    if not weekly.all_quiet(office, firm, 0, 0, (), now):
        return []
    counts = lists.counts(registry, EVERYTHING)
    silent = counts.by_condition.get("not_reporting", 0)
    equipped = counts.units - counts.by_condition.get("no_device", 0)
    heard = equipped - counts.not_assessed - silent
    waiting = [
        f"{words.severity(e.severity)}: {words.sentence(e.finding, office.rota.zone, now).title}"
        f" ({e.subject.partition(':')[2]})"
        for e in lists.episodes(registry, EVERYTHING, open_only=True, limit=10_000)
        if e.severity in ("act_now", "same_day", "no_word")
    ]
    more = max(0, len(waiting) - LINES)
    return weekly.all_quiet(office, firm, heard, equipped, waiting[:LINES], now, more)


def _reminders(registry: Registry, office: Office, firm: str, now: int) -> list[Notice]:
    if not weekly.reminders(office.people, firm, office.rota.zone, ("",), (), now):
        return []
    due = lists.due(registry, EVERYTHING, states=LATE)
    service = [
        one_line(f"{unit.id}, {site.name}: {item.name}, {item.reason or item.state}", 200)
        for item, unit, site, _ in due
    ]
    exercise = [
        f"{row.unit.id}, {row.site.name}: {words.sentence(finding, row.site.time_zone, now).seen}"
        for row in lists.units(registry, EVERYTHING, limit=100_000)
        if row.summary is not None
        for finding in row.summary.findings
        if isinstance(finding.facts, ExerciseMissed | ExerciseShort)
    ]
    owners = {one.id for one in people.people(registry) if one.role in ("owner", "office")}
    to = [contact for contact in office.people if contact.person in owners]
    return weekly.reminders(to, firm, office.rota.zone, service, exercise, now)
