"""The due list against the jobs that were made from it: what is opened, changed, closed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date

from fleet.calendar import DAY_S, local_date, utc_date
from fleet.model import DueItem, Job, JobStep
from fleet.model.book import DueWork, JobChanges, Recorded
from scheduler.work_orders.due import due_day, enters, job_of, outcome, own_minutes
from scheduler.work_orders.life import advance, opened

BY = "the service plan"
"""Who opens and closes what comes of the due list."""

Step = tuple[Job, JobStep]
Listed = Mapping[tuple[str, str], tuple[DueItem, date]]
"""(unit, task) to the task as the due list has it, and the local day at its site."""


def reconcile(known: DueWork, now: int, new_id: Callable[[], str]) -> JobChanges:
    """Due work within the horizon as jobs, jobs whose work was done or is gone closed, and those
    opened again whose record was taken back. now: UTC seconds. Doing it twice does it once."""
    listed = {
        (row.item.unit, row.item.task): (row.item, local_date(now, row.site.time_zone))
        for row in known.rows
    }
    there = [job for job in known.jobs if job.origin and job.unit not in known.unread]
    steps = [
        step for job in there if (step := _closing(job, listed, known.origins, now)) is not None
    ]
    steps += [
        advance(one.job, "reopen", now, BY, "The record of this work was taken back.")
        for one in known.ended
        if not one.job.nothing and _by_record(one)
    ]
    have = {job.origin for job in there} | {after.origin for after, _ in steps}
    fresh = _fresh(known, have, now, new_id)
    return JobChanges(steps=tuple(steps), fresh=fresh)


def _fresh(known: DueWork, have: set[str], now: int, new_id: Callable[[], str]) -> tuple[Step, ...]:
    """New jobs for due work that none of these is about."""
    found = []
    for row in known.rows:
        item, today = row.item, local_date(now, row.site.time_zone)
        if item.cycle in have or not enters(item, today):
            continue
        used = known.minutes_used.get((item.unit, item.task), [])
        minutes = own_minutes(used, item.minutes or 30)
        plan = known.service_plans.get(row.unit.service_plan)
        made = job_of(row, plan, new_id(), today, minutes)
        found.append(opened(made, now, BY))
    return tuple(found)


def _by_record(ended: Recorded) -> bool:
    """Whether a job ended because a record says that its work was done."""
    last = next((s for s in reversed(ended.steps) if s.kind in ("finish", "reopen")), None)
    if last is None or last.kind != "finish":
        return False
    said = last.facts.get("tasks")
    if isinstance(said, dict):
        return bool(said.get(ended.job.task) == "done")
    return last.by == BY


def _closing(job: Job, listed: Listed, origins: frozenset[str], now: int) -> Step | None:
    item, today = listed.get((job.unit, job.task), (None, utc_date(now // DAY_S)))
    said = outcome(job, item, today)
    if said is None or (said != "finish" and job.state == "under_way"):
        return None
    if said == "drop" or item is None:
        return advance(job, "drop", now, BY, "The task is no longer in the set's plan.")
    if said == "finish":
        return advance(job, "finish", now, BY, f"Its record came: {item.last_done_on}.")
    origin = item.cycle
    if origin != job.origin and origin in origins:
        return advance(job, "drop", now, BY, "A record was put right: there was a job before.")
    changes = {"origin": origin, "due_on": due_day(item, today) or job.due_on}
    return advance(job, "change", now, BY, "Its day was worked out anew.", changes)
