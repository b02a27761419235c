"""From when an interval counts, when it ends, and what state that makes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, time, timedelta
from itertools import count
from typing import Literal

import msgspec

from fleet.calendar import add_months, instant, local_date
from fleet.model import Record, ServicePlan, Task
from scheduler.rules.service.situation import RANK, ByCalendar, ByHours, Done, Situation, State

SOON_DAYS = 30
SOON_HOURS_SHARE = 0.90
SOON_MONTH_DAYS = 7
"""Soon: within 30 days or 90 % of the hours. A monthly task would always be soon by that, so by the
calendar it is at most 7 days per month of the interval. Common practice, no source."""
LATE_HOURS_H = 1.0
"""Hours over the interval, below which work is due and not yet late. Common practice, no source."""


def does(record: Record, task: Task, plan: ServicePlan) -> bool:
    """Whether a record is of this task: of the task itself, or of one that resets it.

    Gives: yes or no. Definition.
    """
    named = record.facts.get("task")
    if named == task.id:
        return True
    return any(other.id == named and task.id in other.resets for other in plan.tasks)


def hours_fact(record: Record) -> float | None:
    """Engine hours a record gives, [h]; None where it gives none.

    Gives: [h]. Definition.
    """
    value = record.facts.get("hours_h", record.facts.get("hours"))
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def last_done(history: list[Record], at: Situation) -> Done:
    """When a task was last done: its newest record, else the register's last service, else the
    begin.

    Engine hours as written then, else as known of that moment; of a day of the register, at its noon
    by the clock of the site.

    Gives: a record of a date and hours [h]. Definition.
    """
    if history:
        newest = history[-1]
        return Done(local_date(newest.at, at.zone), _hours_then(newest, at), "task")
    if at.last_service is not None or at.last_service_h is not None:
        return Done(at.last_service, _registered_h(at), "register")
    return Done(at.begun_on, at.begun_h, "begin")


def _hours_then(record: Record, at: Situation) -> float | None:
    written = hours_fact(record)
    return at.hours_at(record.at) if written is None else at.engine_hours(record.at, written)


def _registered_h(at: Situation) -> float | None:
    """Engine hours of the register's last service: as written, else as known of that day."""
    if at.last_service_h is not None or at.last_service is None:
        return at.last_service_h
    return at.hours_at(min(instant(at.last_service, time(12), at.zone), at.now))


def by_hours(task: Task, last: Done, history: list[Record], at: Situation) -> ByHours | None:
    """From which engine hours the interval counts and at which it ends; None: not by hours, or not
    known.

    The first interval from 0 where the task was never done; floating from when it was done; fixed:
    the next of a series of every_h from the origin, work done up to the tolerance early counting
    for what it precedes.

    Gives: a record in hours [h]. Definition.
    """
    if at.hours_now_h is None or (task.every_h is None and task.first_h is None):
        return None
    if task.first_h is not None and last.by == "begin" and (last.hours_h or 0.0) <= task.first_h:
        return ByHours(0.0, task.first_h, at.hours_now_h)
    if task.every_h is None or last.hours_h is None:
        return None
    if task.anchor == "floating":
        return ByHours(last.hours_h, last.hours_h + task.every_h, at.hours_now_h)
    origin = _origin_h(last, history, at)
    satisfied = last.hours_h + task.tolerance * task.every_h * _early(last)
    due = next(h for h in _hours_series(origin, task.every_h) if h > satisfied)
    return ByHours(due - task.every_h, due, at.hours_now_h)


def by_calendar(task: Task, last: Done, history: list[Record], at: Situation) -> ByCalendar | None:
    """From which date the interval counts and on which it ends; None: not by the calendar, or no
    date known.

    Months are added to the anchor's date, the day held back to the month's last; fixed: the next of
    a series, work done up to tolerance_days (at most 15 a month) early counting for what it
    precedes.

    Gives: a record of dates. Definition.
    """
    if task.every_months is None or last.on is None:
        return None
    months = task.every_months
    if task.anchor == "floating":
        return ByCalendar(last.on, add_months(last.on, months), at.today)
    origin = _origin_on(last, history, at)
    early = min(task.tolerance_days, 15 * months)
    satisfied = last.on + timedelta(days=early * _early(last))
    step = next(n for n in count(1) if add_months(origin, n * months) > satisfied)
    base = add_months(origin, (step - 1) * months)
    return ByCalendar(base, add_months(origin, step * months), at.today)


def _early(last: Done) -> int:
    """Work done a little early counts for what it precedes; a begin is no work."""
    return 0 if last.by == "begin" else 1


def _origin_on(last: Done, history: list[Record], at: Situation) -> date:
    if at.last_service is not None:
        return at.last_service
    if history:
        return local_date(history[0].at, at.zone)
    assert last.on is not None
    return last.on


def _origin_h(last: Done, history: list[Record], at: Situation) -> float:
    registered = _registered_h(at)
    if registered is not None:
        return registered
    first = _hours_then(history[0], at) if history else None
    return first if first is not None else (last.hours_h or 0.0)


def _hours_series(origin: float, every: float) -> Iterator[float]:
    return (origin + n * every for n in count(1))


def binds_by(
    hours: ByHours | None, calendar: ByCalendar | None
) -> Literal["hours", "calendar", "neither"]:
    """Whichever has used the greater share of its interval; of equals the calendar.

    Gives: a word. Definition.
    """
    if hours and (calendar is None or hours.share > calendar.share):
        return "hours"
    return "calendar" if calendar else "neither"


def state_of(
    task: Task, hours: ByHours | None, calendar: ByCalendar | None, strict: bool = False
) -> State:
    """The most pressing of both; strict: no tolerance at all.

    late_beyond: over by more than the tolerance (a share of the interval's hours, or days); late:
    over by an hour or a day; due: reached; soon: 90 % of the hours, or soon_days.

    Gives: a word. Common practice, no source.
    """
    if strict:
        task = msgspec.structs.replace(task, tolerance=0.0, tolerance_days=0)
    states: list[State] = ["unknown"]
    if hours:
        states.append(_hours_state(task, hours))
    if calendar:
        states.append(_calendar_state(task, calendar))
    return min(states, key=lambda state: RANK[state])


def _hours_state(task: Task, hours: ByHours) -> State:
    if hours.over_h > task.tolerance * (hours.at_h - hours.base_h):
        return "late_beyond"
    if hours.over_h >= LATE_HOURS_H:
        return "late"
    if hours.over_h >= 0:
        return "due"
    return "soon" if hours.share >= SOON_HOURS_SHARE else "later"


def _calendar_state(task: Task, calendar: ByCalendar) -> State:
    if calendar.over_days > task.tolerance_days:
        return "late_beyond"
    if calendar.over_days > 0:
        return "late"
    if calendar.over_days == 0:
        return "due"
    soon = -calendar.over_days <= soon_days(task.every_months or 0)
    return "soon" if soon else "later"


def soon_days(every_months: int) -> int:
    """How many days before its date work done every so many months is soon: min(30, 7 x
    every_months).

    Gives: [days]. Common practice, no source.
    """
    return min(SOON_DAYS, SOON_MONTH_DAYS * every_months)
