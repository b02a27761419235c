"""Why a task is due, in plain words."""

from __future__ import annotations

from typing import Literal

from fleet.model import Task
from scheduler.rules.service.situation import ByCalendar, ByHours, Done, Situation


def reason(
    task: Task,
    last: Done,
    hours: ByHours | None,
    calendar: ByCalendar | None,
    binds: Literal["hours", "calendar", "neither"],
    at: Situation,
) -> str:
    """Plain words: the interval, what it counts from, where it stands.

    Gives: words. Definition.
    """
    missing = "" if hours or task.every_h is None else _missing(last, calendar, at)
    if binds == "hours" and hours:
        return f"{_interval(task, hours)}{_since(last)}; {hours.used_h:.0f} h run"
    if binds == "calendar" and calendar:
        words = f"{task.every_months} months{_since(last)}; {_days(calendar)}"
        return f"{words}; {missing}" if missing else words
    return missing or "nothing to count from yet: record when this was last done"


def _missing(last: Done, calendar: ByCalendar | None, at: Situation) -> str:
    what = "engine hours not known" if at.hours_now_h is None else "engine hours then not known"
    return f"{what}, so by calendar only" if calendar else what


def _interval(task: Task, hours: ByHours) -> str:
    length = hours.at_h - hours.base_h
    first = hours.base_h == 0 and task.first_h is not None and hours.at_h == task.first_h
    return f"first {length:g} h" if first else f"{length:g} h"


def _since(last: Done) -> str:
    if last.on is None:
        return ""
    day = f"{last.on.day} {last.on:%b %Y}"
    return f" since it was put into service on {day}" if last.by == "begin" else f" since {day}"


def _days(calendar: ByCalendar) -> str:
    over = calendar.over_days
    if over == 0:
        return "due today"
    return f"{over} days over" if over > 0 else f"{-over} days left"
