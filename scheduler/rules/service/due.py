"""Every task of a plan, when and why it falls due."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import msgspec

from fleet.findings.service import ServiceDue
from fleet.model import DueItem, Evidence, Finding, Kit, Record, ServicePlan, Task
from scheduler.rules.service.reckon import (
    LATE_HOURS_H,
    binds_by,
    by_calendar,
    by_hours,
    does,
    last_done,
    state_of,
)
from scheduler.rules.service.situation import RANK, ByCalendar, ByHours, Done, Situation


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


def due_items(
    plan: ServicePlan, records: Iterable[Record], situation: Situation
) -> tuple[DueItem, ...]:
    """Every task of a plan with when and why it falls due, the most pressing first.

    records: those that hold (corrections applied), any order and any kind; `task_done` counts.
    Tasks for other fuels are left out; intervals are times the task's severity, months rounded
    and at least one; parts and minutes are those of the model's kit, where the plan has one.

    Gives: records in hours [h], dates and days [days]. Common practice, no source.
    """
    done = sorted(
        (r for r in records if r.kind == "task_done" and r.at <= situation.now),
        key=lambda r: (r.at, r.made_at, r.id),
    )
    mine = [_harsh(t) for t in plan.tasks if not t.fuels or situation.fuel in t.fuels]
    items = [_item(task, plan, done, situation) for task in mine]
    return tuple(sorted(items, key=lambda item: (RANK[item.state], -item.share, item.task)))


def finding(item: DueItem, since: int) -> Finding | None:
    """What to tell of a task; since: when its state began (UTC seconds).

    Next visit when due, soon or late; Same day when late beyond its tolerance; else nothing.

    Gives: a record in hours [h] and days [days], or none. Common practice, no source.
    """
    if item.state in ("later", "unknown"):
        return None
    return Finding(
        severity="same_day" if item.state == "late_beyond" else "next_visit",
        since=since,
        part=item.task,
        facts=ServiceDue(
            name=item.name,
            binds=item.binds,
            state=item.state,
            due_on=item.due_on,
            due_at_hours_h=item.due_at_hours_h,
            hours_now_h=item.hours_now_h,
            hours_left_h=item.hours_left_h,
            days_left=item.days_left,
            late_days=item.late_days,
            late_hours_h=item.late_hours_h,
            reason=item.reason,
        ),
        evidence=Evidence(
            channels=("run_hours_h",) if item.binds == "hours" else (), note=item.reason
        ),
    )


def _item(task: Task, plan: ServicePlan, done: list[Record], at: Situation) -> DueItem:
    history = [r for r in done if does(r, task, plan)]
    last = last_done(history, at)
    hours = by_hours(task, last, history, at)
    calendar = by_calendar(task, last, history, at)
    binds = binds_by(hours, calendar)
    state = state_of(task, hours, calendar, at.strict)
    over_h = hours.over_h if hours else None
    over_days = calendar.over_days if calendar else None
    kit = kit_of(plan, task.id, at.make, at.model)
    return DueItem(
        unit=at.unit,
        task=task.id,
        name=task.name,
        state=state,
        binds=binds,
        share=round(max(hours.share if hours else 0.0, calendar.share if calendar else 0.0), 4),
        due_on=calendar.on.isoformat() if calendar else None,
        due_at_hours_h=_tenth(hours.at_h if hours else None),
        hours_now_h=_tenth(at.hours_now_h),
        hours_used_h=_tenth(hours.used_h if hours else None),
        every_h=task.every_h,
        every_months=task.every_months,
        last_done_on=last.on.isoformat() if last.on and last.by != "begin" else None,
        last_done_hours_h=_tenth(last.hours_h) if last.by != "begin" else None,
        hours_left_h=_tenth(-over_h if over_h is not None else None),
        days_left=-over_days if over_days is not None else None,
        late_days=over_days if over_days is not None and over_days > 0 else None,
        late_hours_h=_tenth(over_h) if over_h is not None and over_h >= LATE_HOURS_H else None,
        minutes=task.minutes if kit is None or kit.minutes is None else kit.minutes,
        parts=task.parts if kit is None or not kit.parts else kit.parts,
        reason=reason(task, last, hours, calendar, binds, at),
    )


def kit_of(plan: ServicePlan, task: str, make: str, model: str) -> Kit | None:
    """The kit of a task for a make and model, letter case aside; the make's own before any make's.

    Gives: a record, or none. Definition.
    """
    fit = [
        kit
        for kit in plan.kits
        if kit.task == task
        and kit.model.casefold() == model.casefold()
        and kit.make.casefold() in ("", make.casefold())
    ]
    return max(fit, key=lambda kit: bool(kit.make), default=None)


def _harsh(task: Task) -> Task:
    """The task with its severity worked into its intervals."""
    if task.severity == 1.0:
        return task
    return msgspec.structs.replace(
        task,
        every_h=None if task.every_h is None else round(task.every_h * task.severity, 1),
        every_months=None
        if task.every_months is None
        else max(1, round(task.every_months * task.severity)),
        severity=1.0,
    )


def _tenth(hours: float | None) -> float | None:
    return None if hours is None else round(hours, 1)
