"""What the calendar asks to be sent, put into the outbox once."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet import words
from fleet.calendar import DAY_S
from fleet.findings.exercise import ExerciseMissed, ExerciseShort
from fleet.model import EVERYTHING, DueItem, Episode, Notice, Site
from fleet.registry import lists, people
from fleet.registry.base.engine import Registry
from fleet.registry.told import alerts, outbox
from fleet.registry.told.customer_readers import customer_readers
from fleet.registry.told.outbox import put_notices
from fleet.words.alert_sentences import one_line
from scheduler import alarms
from scheduler.alarms import Office, customers, weekly
from scheduler.alarms.notification import SENT
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
    told += _taken_over(registry, office, firm, now)
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
    """Sent before; of all quiet and of an import, whoever it was that got it."""
    held = outbox.of_cause(registry, EVERYTHING, notice.cause)
    if notice.kind in ("all_quiet", "taken_over"):
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


def _taken_over(registry: Registry, office: Office, firm: str, now: int) -> list[Notice]:
    """What was so when sets were taken on, in one message an import."""
    since = now - weekly.SUMMARY_FOR_S - DAY_S
    found: list[Notice] = []
    for group in weekly.imports(alerts.opened_since(registry, EVERYTHING, since), now):
        sent = [e for e in group if e.severity in SENT and alarms.state_of(e) not in alarms.SILENT]
        by_unit: dict[str, list[Episode]] = {}
        for episode in sent:
            by_unit.setdefault(episode.subject.partition(":")[2], []).append(episode)
        places = {r.unit.id: r.site for r in lists.units_named(registry, EVERYTHING, by_unit)}
        lines = [
            _import_line(unit, places.get(unit), of_unit, office.rota.zone, now)
            for unit, of_unit in by_unit.items()
        ]
        newest = max(e.opened_at for e in group)
        found += weekly.taken_over(office, firm, newest, len(sent), lines, now)
    return found


def _import_line(
    unit: str, site: Site | None, episodes: Sequence[Episode], zone: str, now: int
) -> str:
    """The gravest alert of a set, and how many more. episodes: the gravest first."""
    first = episodes[0]
    where = f"{site.name} ({unit})" if site is not None and site.name else unit
    said = words.sentence(first.finding, zone, now).title
    more = f", and {len(episodes) - 1} more" if len(episodes) > 1 else ""
    return one_line(f"{words.severity(first.severity)}: {where}: {said}{more}", 200)


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
