"""What is sent by the calendar: all quiet each morning, a test of the duty phone, reminders.

Pure: the caller puts the notices into the outbox, where the same id again changes nothing, so each
is sent once however often it is worked out. The cause is the kind and the local date.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

from fleet.calendar import instant, local, local_date
from fleet.model import Contact, Notice, NoticeKind, Rota, Way
from fleet.words import notices as say
from scheduler.alarms.rota import MORNING, contact_of, holder, in_line
from scheduler.alarms.telling import Office, notice_id

TEST_AT = time(9, 0)
TEST_WEEKDAY = 0
REMIND_AT, REMIND_UNTIL = time(7, 0), time(18, 0)
QUIET_UNTIL = time(12, 0)
ANSWER_WITHIN_S = 30 * 60
"""Monday 09:00, Monday 07:00, half an hour: common practice, no source."""


def all_quiet(
    office: Office, firm: str, heard: int, sets: int, waiting: Sequence[str], now: int,
    more: int = 0,
) -> list[Notice]:  # fmt: skip
    """From 06:30 of the holder of the duty phone until noon: how things stand, by the way that is
    heard last. more: alerts beyond those listed."""
    contact = contact_of(office.people, holder(office.rota, now))
    if contact is None or not contact.ways:
        return []
    zone = contact.zone or office.rota.zone
    there = local(now, zone)
    if not MORNING <= there.time() < QUIET_UNTIL:
        return []
    subject, body = say.all_quiet(firm, heard, sets, waiting, more)
    return [_notice("all_quiet", there.date(), "1", contact, contact.ways[-1], subject, body, now)]


def newest(rota: Rota, now: int) -> str:
    """The cause of the newest weekly test that is due at `now`."""
    today = local_date(now, rota.zone)
    on = today - timedelta(days=(today.weekday() - TEST_WEEKDAY) % 7)
    if instant(on, TEST_AT, rota.zone) > now:
        on -= timedelta(days=7)
    return f"weekly_test:{on.isoformat()}"


def weekly_test(office: Office, firm: str, answered: bool, now: int) -> list[Notice]:
    """The test of the duty phone, for the day it is due; unanswered for half an hour, for the next in
    line too, and so on. Nothing on the days after."""
    rota = office.rota
    on = date.fromisoformat(newest(rota, now).partition(":")[2])
    began = instant(on, TEST_AT, rota.zone)
    if answered or now - began >= 12 * 3600:
        return []
    subject, body = say.weekly_test(firm)
    found: list[Notice] = []
    line = in_line(rota, began)
    for turn in range(min(len(line), 1 + (now - began) // ANSWER_WITHIN_S)):
        contact = contact_of(office.people, line[turn])
        for way in contact.ways if contact else ():
            assert contact is not None
            found.append(
                _notice("weekly_test", on, str(turn + 1), contact, way, subject, body, now,
                        f"/weekly-test/{on.isoformat()}")
            )  # fmt: skip
    return found


def reminders(
    to: Sequence[Contact], firm: str, zone: str, service: Sequence[str], exercise: Sequence[str],
    now: int,
) -> list[Notice]:  # fmt: skip
    """Monday from 07:00 to 18:00: work late or due and exercises to look at, to the installer."""
    there: datetime = local(now, zone)
    if there.weekday() != TEST_WEEKDAY or not REMIND_AT <= there.time() < REMIND_UNTIL:
        return []
    on = there.date()
    told = []
    if service:
        told.append(("service", say.service_reminder(firm, service, on.isoformat())))
    if exercise:
        told.append(("exercise", say.exercise_reminder(firm, exercise, on.isoformat())))
    return [
        _notice("reminder", on, step, contact, contact.ways[-1], subject, body, now, "/due")
        for contact in to
        if contact.ways
        for step, (subject, body) in told
    ]


def _notice(
    kind: NoticeKind, on: date, step: str, contact: Contact, way: Way, subject: str, body: str,
    now: int, path: str = "/",
) -> Notice:  # fmt: skip
    cause = f"{kind}:{on.isoformat()}"
    return Notice(
        id=notice_id(cause, step, contact.person, way), cause=cause, step=step,
        person=contact.person, way=way, kind=kind, subject=subject, body=body, made_at=now,
        not_before=now, path=path,
    )  # fmt: skip
