"""What is sent by the calendar: all quiet each morning, a test of the duty phone, reminders.

Pure: the caller puts the notices into the outbox, where the same id again changes nothing, so each
is sent once however often it is worked out. The cause is the kind and the local date.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, time, timedelta

from fleet.calendar import instant, local_date
from fleet.model import SEVERITIES, Contact, DeliveryMethod, Episode, Notice, NoticeKind, Rota
from fleet.words import notice_sentences as say
from scheduler.alarms.notification import Office, notice_id
from scheduler.alarms.quiet_hours import (
    awake_from,
    is_quiet,
    last_morning,
    next_up,
    quiet_now,
    zone_of,
)
from scheduler.alarms.rota import contact_of, holder, in_line, recipient_at, took_over
from scheduler.alarms.stepping import TAKEN_OVER

TEST_AT = time(9, 0)
TEST_WEEKDAY = 0
REMIND_AT = time(7, 0)
REMIND_FOR_S = 11 * 3600
QUIET_FOR_S = 330 * 60
ANSWER_WITHIN_S = 30 * 60
"""Monday 09:00, Monday 07:00 to 18:00, all quiet from 06:30 to noon, half an hour: common practice,
no source. Whose quiet hours end later gets it for as long from then on."""


def all_quiet(
    office: Office,
    firm: str,
    heard: int,
    sets: int,
    waiting: Sequence[str],
    now: int,
    more: int = 0,
) -> list[Notice]:
    """Once a day, from the end of the quiet hours of the holder of the duty phone (or from when the
    phone came to somebody who is up): how things stand, by the way that is heard last. more: alerts
    beyond those listed."""
    rota = office.rota
    contact = contact_of(office.people, holder(rota, now))
    if contact is None or not contact.ways or quiet_now(contact, rota, now):
        return []
    zone = zone_of(contact, rota)
    begun = max(last_morning(now, zone, contact.quiet), took_over(rota, now))
    if now - begun >= QUIET_FOR_S:
        return []
    on = local_date(begun, zone)
    subject, body = say.all_quiet(firm, heard, sets, waiting, more)
    return [_notice("all_quiet", on, "1", contact, contact.ways[-1], subject, body, now)]


def newest(rota: Rota, now: int) -> str:
    """The cause of the newest weekly test that is due at `now`."""
    return f"weekly_test:{_monday(TEST_AT, rota.zone, now).isoformat()}"


def _monday(wall: time, zone: str, now: int) -> date:
    """The newest Monday on which it has been that time."""
    today = local_date(now, zone)
    on = today - timedelta(days=(today.weekday() - TEST_WEEKDAY) % 7)
    return on if instant(on, wall, zone) <= now else on - timedelta(days=7)


def weekly_test(office: Office, firm: str, answered: bool, now: int) -> list[Notice]:
    """The test of the duty phone, for the day it is due; unanswered for half an hour, for the next in
    line too, and so on. It wakes nobody: nobody is asked in their quiet hours. Nothing on the
    days after."""
    rota = office.rota
    on = date.fromisoformat(newest(rota, now).partition(":")[2])
    began = next_up(office.people, rota, instant(on, TEST_AT, rota.zone))
    if answered or not 0 <= now - began < 12 * 3600:
        return []
    subject, body = say.weekly_test(firm)
    found: list[Notice] = []
    line = in_line(rota, began)
    for turn in range(min(len(line), 1 + (now - began) // ANSWER_WITHIN_S)):
        contact = contact_of(office.people, line[turn])
        if contact is None or quiet_now(contact, rota, now):
            continue
        for way in contact.ways:
            found.append(
                _notice(
                    "weekly_test",
                    on,
                    str(turn + 1),
                    contact,
                    way,
                    subject,
                    body,
                    now,
                    f"/weekly-test/{on.isoformat()}",
                )
            )
    return found


SETTLED_S = 900
"""An import is over when nothing more came of it for a quarter of an hour. Common practice, no
source."""
SUMMARY_FOR_S = 12 * 3600
"""Older ones are told no more: all quiet and the pages say what is open. Common practice, no
source."""


def imports(episodes: Sequence[Episode], now: int) -> list[list[Episode]]:
    """Alerts that were so when their sets were taken on, those of one import together, of imports
    that are over: the gravest first. episodes: rising by when they were opened."""
    found: list[list[Episode]] = []
    for one in episodes:
        if not any(s.kind == "raised" and s.cause == TAKEN_OVER for s in one.steps):
            continue
        if found and one.opened_at - found[-1][-1].opened_at < SETTLED_S:
            found[-1].append(one)
        else:
            found.append([one])
    over = [group for group in found if 0 <= now - group[-1].opened_at - SETTLED_S < SUMMARY_FOR_S]
    return [sorted(group, key=lambda e: SEVERITIES.index(e.severity)) for group in over]


def taken_over(
    office: Office, firm: str, at: int, alerts: int, lines: Sequence[str], now: int
) -> list[Notice]:
    """One message about all that was so when sets were taken on, to whoever holds the phone when
    that person has no quiet hours. at: when the newest of these alerts was opened; alerts: how many;
    lines: one a set."""
    due = next_up(office.people, office.rota, now)
    contact = recipient_at(office.rota, office.people, due)
    if contact is None or not lines:
        return []
    subject, body = say.taken_over(firm, alerts, lines)
    cause = f"taken_over:{at}"
    return [
        Notice(
            id=notice_id(cause, "1", contact.person, contact.ways[0]),
            cause=cause,
            step="1",
            person=contact.person,
            way=contact.ways[0],
            kind="taken_over",
            subject=subject,
            body=body,
            made_at=now,
            not_before=due,
            path="/alerts",
        )
    ]


def reminders(
    to: Sequence[Contact],
    firm: str,
    zone: str,
    service: Sequence[str],
    exercise: Sequence[str],
    now: int,
) -> list[Notice]:
    """Monday from 07:00 to 18:00: work late or due and exercises to look at, to the installer; to
    whoever has quiet hours then, as long from their end."""
    on = _monday(REMIND_AT, zone, now)
    told = []
    if service:
        told.append(("service", say.service_reminder(firm, service, on.isoformat())))
    if exercise:
        told.append(("exercise", say.exercise_reminder(firm, exercise, on.isoformat())))
    return [
        _notice("reminder", on, step, contact, contact.ways[-1], subject, body, now, "/due")
        for contact in to
        if contact.ways and _reminded(contact, instant(on, REMIND_AT, zone), zone, now)
        for step, (subject, body) in told
    ]


def _reminded(contact: Contact, due: int, zone: str, now: int) -> bool:
    """Whether a reminder due at a moment goes to this person at `now`."""
    there = contact.zone or zone
    begun = awake_from(contact.quiet, due, there)
    return 0 <= now - begun < REMIND_FOR_S and not is_quiet(contact.quiet, now, there)


def _notice(
    kind: NoticeKind,
    on: date,
    step: str,
    contact: Contact,
    way: DeliveryMethod,
    subject: str,
    body: str,
    now: int,
    path: str = "/",
) -> Notice:
    cause = f"{kind}:{on.isoformat()}"
    return Notice(
        id=notice_id(cause, step, contact.person, way),
        cause=cause,
        step=step,
        person=contact.person,
        way=way,
        kind=kind,
        subject=subject,
        body=body,
        made_at=now,
        not_before=now,
        path=path,
    )
