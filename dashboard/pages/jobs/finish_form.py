"""What a sent finishing form says was done."""

from __future__ import annotations

from typing import cast, get_args

from dashboard.authors import Author, author
from dashboard.pages import forms
from dashboard.pages.jobs.call import CallFault
from dashboard.pages.typed_hours import CONFIRMED, ONCE_MORE, doubtful_hours
from dashboard.posted import Posted
from dashboard.request_context import Services, find_unit
from dashboard.viewers import Viewer
from fleet.model import OPEN_STATES, DueItem, Job, RecordKind, Scope
from fleet.model.telemetry import Facts
from fleet.registry import lists
from fleet.registry.office import kept_jobs
from fleet.registry.office.technicians import read_parts
from scheduler import work_orders
from scheduler.work_orders.finishing import Outcome, Said

MORE: tuple[RecordKind, ...] = (
    "part_changed",
    "refuel",
    "meter_check",
    "fitting",
    "meter_replaced",
    "hour_format",
)
"""What else may be written down of the same visit; hours, visit and tasks have fields of their own."""
MINUTES_MOST = 2_000
"""Longer is no visit. A bound of ours."""
TASK = "task."


class Doubted(CallFault):
    """Hours that must be confirmed."""


def may(job: Job) -> bool:
    """Whether this job can be finished now."""
    return "finish" in work_orders.STEPS[job.state]


def tasks_due(services: Services, scope: Scope, job: Job) -> list[tuple[DueItem, Job | None]]:
    """Every task of the set's plan, the most pressing first, with the open job of it."""
    if not job.unit:
        return []
    others = other_jobs(services, scope, job)
    found = [item for item, _, _, _ in lists.due(services.registry, scope, unit=job.unit)]
    return [(item, others.get(item.task)) for item in found]


def other_jobs(services: Services, scope: Scope, job: Job) -> dict[str, Job]:
    """Open jobs of other tasks of the same set, by task."""
    if not job.unit:
        return {}
    found = kept_jobs.jobs(services.registry, scope, states=OPEN_STATES, unit=job.unit)
    return {j.task: j for j in found if j.task and j.id != job.id and may(j)}


def read(
    services: Services, viewer: Viewer, job: Job, posted: Posted, form_id: str
) -> tuple[work_orders.Told, Author]:
    """What a sent form says. Raises CallFault, NotYourName, TechnicianRefused."""
    zone = find_unit(services, viewer.scope, job.unit)[1].time_zone if job.unit else "UTC"
    who = author(services.registry, viewer, posted.text("by", 100))
    now = services.clock()
    at = _moment(posted.text("done_at"), zone, now)
    hours = _hours(posted.text("hours", 20))
    why = doubtful_hours(services, viewer.scope, job.unit, at, hours) if job.unit else ""
    if why and not posted.text("sure"):
        raise Doubted(f"{why} {ONCE_MORE}")
    outcome = posted.text("outcome")
    if not job.task and outcome not in get_args(Outcome):
        raise CallFault("Choose whether it is done, not finished, or nothing was done.")
    told = work_orders.Told(
        form=form_id,
        at=at,
        zone=zone,
        by=who.by,
        entered_by=who.entered_by,
        outcome=cast(Outcome, outcome or "done"),
        words=posted.text("words", 2000),
        why=posted.text("why", 500),
        tasks=tuple(_tasks(services, viewer.scope, job, posted)),
        parts=read_parts(posted.text("parts_used", 500)),
        hours=hours,
        hours_note=f"{CONFIRMED} {why}" if why else "",
        minutes=_minutes(posted.text("minutes_used", 6)),
        more=tuple(_more(services, viewer, job, posted, zone)),
    )
    return told, who


def _moment(text: str, zone: str, now: int) -> int:
    if not text:
        return now
    try:
        at = forms.moment(text, zone)
    except ValueError as fault:
        raise CallFault(f"When it was done: {fault}") from fault
    if at > now + 600:
        raise CallFault("When it was done lies in the future: write it down once it is done.")
    return at


def _hours(text: str) -> float | None:
    if not text:
        return None
    try:
        found = forms.hours(text)
    except ValueError as fault:
        raise CallFault(f"Engine's own hour meter: {fault}") from fault
    if not 0 <= found <= 1_000_000:
        raise CallFault("Engine's own hour meter: hours from 0 to 1,000,000.")
    return found


def _minutes(text: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdigit()) or not 0 < int(text) < MINUTES_MOST:
        raise CallFault(f"Minutes used: write a whole number from 1 to {MINUTES_MOST - 1}.")
    return int(text)


def _tasks(
    services: Services, scope: Scope, job: Job, posted: Posted
) -> list[work_orders.ToldTask]:
    items = {item.task: item for item, _ in tasks_due(services, scope, job)}
    known = {id: item.name for id, item in items.items()}
    if job.task:
        known.setdefault(job.task, job.title)
    found = []
    for name, said in posted.flat().items():
        id = name.removeprefix(TASK)
        if not name.startswith(TASK) or not said.strip():
            continue
        if id not in known:
            raise CallFault(f"There is no task {id[:40]!r} in the plan of this set.")
        if said not in get_args(Said):
            raise CallFault(f"{known[id]}: choose done, not done or not needed.")
        usual = job.parts if id == job.task else items[id].parts
        sent = posted.text(f"parts.{id}", 500) if f"parts.{id}" in posted.flat() else None
        found.append(
            work_orders.ToldTask(
                task=id,
                name=known[id],
                said=cast(Said, said),
                why=posted.text(f"why.{id}", 300),
                parts=(usual if sent is None else read_parts(sent)) if said == "done" else {},
                minutes=job.minutes if id == job.task else items[id].minutes,
            )
        )
    return found


def _more(
    services: Services, viewer: Viewer, job: Job, posted: Posted, zone: str
) -> list[tuple[RecordKind, Facts]]:
    """Further records of which anything was filled in."""
    sent = posted.flat()
    found = []
    for kind in MORE if job.unit else ():
        mine = {n.removeprefix(f"{kind}."): v for n, v in sent.items() if n.startswith(f"{kind}.")}
        if any(value.strip() for value in mine.values()):
            try:
                facts = forms.facts_from(forms.KINDS[kind].fields, mine, zone)
            except forms.FormFault as fault:
                raise CallFault(f"{forms.KINDS[kind].name}: {fault}") from fault
            found.append((kind, facts))
    return found
