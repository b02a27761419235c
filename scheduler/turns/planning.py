"""Jobs out of due work, and rounds out of jobs: every few minutes, every night, and when asked.

The search itself runs in a process of its own (`scheduler.rounds.engine`), so a plan costs this one
neither memory nor its rhythm. With nothing new the plan in force is given back unsolved.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import date
from uuid import uuid4

import msgspec

from fleet.calendar import DAY_S, day_bounds, local, local_date, utc_date
from fleet.model import EVERYTHING, OPEN_STATES, DueItem, Job, JobStep
from fleet.registry import jobs as kept_jobs
from fleet.registry import jobs_done, pages
from fleet.registry import rounds as kept
from fleet.registry.engine import Registry
from fleet.registry.people.types import Actor
from fleet.registry.rounds import Ask, KeptAsk
from fleet.registry.work import backlog
from fleet.words import planned
from fleet.words.jobs import travel_words
from scheduler import dispatch, rounds, work
from scheduler.publishing import outside, publish, question
from scheduler.rounds import PlanFault, Progress, RequestFault

log = logging.getLogger("hourhand.scheduler")

NIGHT = "the night"
"""Who asks for the plan of a night."""
NIGHT_HOUR = 2
"""Local hour of the office after which the night's plan is made; common practice, no source."""
AT_ONCE = 500
QUIET_TOUCHES = 10
DEMO = Actor("the demonstration")
Tell = Callable[[Progress], None]
Cancel = Callable[[], bool]


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """What planning led to. plan: the new draft, or the plan in force where nothing is new."""

    new: bool
    said: str
    plan: rounds.RoundPlan | None = None
    draft: int | None = None


def sync_jobs(registry: Registry, now: int) -> int:
    """Due work within the horizon as jobs, jobs whose work was done or is gone closed, and those
    opened again whose record was taken back.

    Doing it twice does it once. What a set's due list says is let be while a record of that set
    waits to be read. Returns how many jobs were opened or changed.
    """
    unread = jobs_done.unread(registry)
    due = [row for row in pages.due(registry, EVERYTHING) if row[0].unit not in unread]
    items = {
        (item.unit, item.task): (item, local_date(now, site.time_zone)) for item, _, site, _ in due
    }
    open_ones = kept_jobs.jobs(registry, EVERYTHING, states=OPEN_STATES)
    there = [job for job in open_ones if job.origin and job.unit not in unread]
    taken = kept_jobs.origins(registry)
    steps = [step for job in there if (step := _closing(job, items, taken, now)) is not None]
    steps += _taken_back(registry, [item for item, _ in items.values()], taken, now)
    for n in range(0, len(steps), AT_ONCE):
        kept_jobs.add_steps(registry, steps[n : n + AT_ONCE])
    known = {job.origin for job in there} | {after.origin for after, _ in steps}
    used, catalogue = kept_jobs.minutes_used(registry), kept_jobs.service_plans(registry)
    fresh = []
    for item, unit, site, _ in due:
        today = local_date(now, site.time_zone)
        if work.cycle(item) in known or not work.enters(item, today):
            continue
        minutes = work.own_minutes(used.get((item.unit, item.task), []), item.minutes or 30)
        made = work.job_of(
            item, unit, catalogue.get(unit.service_plan), str(uuid4()), now, site.time_zone, minutes
        )
        fresh.append(work.opened(made, now, "the service plan"))
    opened = 0
    for n in range(0, len(fresh), AT_ONCE):
        opened += kept_jobs.add_jobs(registry, fresh[n : n + AT_ONCE])
    return len(steps) + opened


def _taken_back(
    registry: Registry, due: list[DueItem], taken: set[str], now: int
) -> list[tuple[Job, JobStep]]:
    """Jobs that were done by a record, opened again because their work counts as before it."""
    cycles = {work.cycle(item) for item in due} & taken
    if not cycles:
        return []
    steps = []
    for job in kept_jobs.jobs(registry, EVERYTHING, states=["done"]):
        if job.origin not in cycles or job.nothing:
            continue
        life = kept_jobs.steps(registry, EVERYTHING, job.id)
        last = next((s for s in reversed(life) if s.kind in ("finish", "reopen")), None)
        if last is not None and last.kind == "finish" and _by_record(last, job):
            note = "The record of this work was taken back."
            steps.append(work.advance(job, "reopen", now, "the service plan", note))
    return steps


def _by_record(step: JobStep, job: Job) -> bool:
    """Whether a job ended because a record says that its work was done."""
    said = step.facts.get("tasks")
    if isinstance(said, dict):
        return said.get(job.task) == "done"
    return step.by == "the service plan"


def _closing(
    job: Job, items: dict[tuple[str, str], tuple[DueItem, date]], taken: set[str], now: int
) -> tuple[Job, JobStep] | None:
    item, today = items.get((job.unit, job.task), (None, utc_date(now // DAY_S)))
    said = work.outcome(job, item, today)
    by = "the service plan"
    if said is None or (said != "finish" and job.state == "under_way"):
        return None
    if said == "drop" or item is None:
        return work.advance(job, "drop", now, by, "The task is no longer in the set's plan.")
    if said == "finish":
        return work.advance(job, "finish", now, by, f"Its record came: {item.last_done_on}.")
    origin = work.cycle(item)
    if origin != job.origin and origin in taken:
        return work.advance(job, "drop", now, by, "A record was put right: there was a job before.")
    return work.advance(
        job,
        "change",
        now,
        by,
        "Its day was worked out anew.",
        {"origin": origin, "due_on": work.due_day(item, today) or job.due_on},
    )


def plan_rounds(
    registry: Registry,
    now: int,
    ask: Ask,
    by: str,
    tell: Tell | None = None,
    cancel: Cancel | None = None,
    travel: rounds.Travel | None = None,
) -> Outcome:
    """Plan and keep the draft; with nothing new since the plan in force or the newest draft that
    one is given back unsolved. A road server that has come or gone is news: the draft says by which
    ways it was made, and the plan in force stays until somebody publishes.

    Raises RegistryDown where the registry is away. What cannot be planned is said, not raised.
    """
    sync_jobs(registry, now)
    _, asked, told = question(registry, now, ask)
    if not asked.technicians:
        return Outcome(new=False, said="There are no technicians yet: add them first.")
    if not asked.jobs:
        waits = planned.in_no_round(len(outside(registry, EVERYTHING, told, now).sets))
        return Outcome(new=False, said=f"There is no open job to plan. {waits}".strip(), plan=told)
    try:
        print_ = rounds.fingerprint(asked, rounds.roads(asked, travel))
    except RequestFault as fault:
        return _no_plan(fault, told)
    draft = kept.draft(registry)
    if draft is not None and draft.fingerprint == print_ and not ask.fresh:
        return Outcome(
            new=False,
            said="Nothing has changed since this draft.",
            plan=dispatch.decode(draft.doc),
            draft=draft.id,
        )
    if told is not None and told.fingerprint == print_ and not ask.fresh:
        return Outcome(new=False, said="Nothing has changed since the plan in force.", plan=told)
    try:
        made = rounds.plan(asked, travel, progress=tell, cancel=cancel)
    except (PlanFault, RequestFault) as fault:
        return _no_plan(fault, told)
    note = f"storm {ask.storm[0]} to {ask.storm[1]}" if ask.storm else ""
    id = kept.save_draft(registry, dispatch.encode(made), print_, note, by, now)
    stops = sum(len(r.stops) for r in made.rounds)
    said = f"{stops} visits in {len(made.rounds)} rounds, {len(made.unplanned)} jobs left out."
    waits = planned.in_no_round(len(outside(registry, EVERYTHING, made, now).sets))
    said = f"{said} {waits}".strip() + f" Driving times: {travel_words(made.travel_source)}."
    return Outcome(new=True, said=said, plan=made, draft=id)


def _no_plan(fault: Exception, told: rounds.RoundPlan | None) -> Outcome:
    log.error("rounds: %s", str(fault)[:300])
    return Outcome(new=False, said=f"No plan could be made: {str(fault)[:300]}", plan=told)


def answer(
    registry: Registry, now: int, cancel: Cancel | None = None, travel: rounds.Travel | None = None
) -> bool:
    """Answer the oldest ask that waits. True where there was one. cancel: to end the search soon."""
    asked = kept.waiting_ask(registry)
    if asked is None:
        return False
    _answer(registry, asked, now, cancel, travel)
    return True


def _answer(
    registry: Registry,
    asked: KeptAsk,
    now: int,
    cancel: Cancel | None,
    travel: rounds.Travel | None,
) -> None:
    last = -1

    def tell(progress: Progress) -> None:
        nonlocal last
        percent = int(100 * progress.share)
        if percent >= last + 10:
            last = percent
            kept.note_ask(registry, asked.id, "working", f"{progress.step}, {percent} %", now)

    kept.note_ask(registry, asked.id, "working", "reading the book", now)
    try:
        found = plan_rounds(registry, now, asked.ask, asked.by, tell, cancel, travel)
    except Exception as fault:
        kept.note_ask(registry, asked.id, "failed", type(fault).__name__, now)
        raise
    kept.note_ask(registry, asked.id, "done", found.said, now)


def night(registry: Registry, now: int) -> bool:
    """Ask for the night's plan once a night, after two by the office's clock. True where asked."""
    people = kept.book(registry, EVERYTHING)
    if not people.technicians:
        return False
    zone = dispatch.office_zone(people)
    if local(now, zone).hour < NIGHT_HOUR:
        return False
    midnight = day_bounds(local_date(now, zone), zone)[0]
    last = kept.last_asked_at(registry, NIGHT)
    if last is not None and last >= midnight:
        return False
    kept.ask(registry, Ask(), NIGHT, now)
    return True


def demonstrate(registry: Registry, now: int, seconds: float = 8.0) -> bool:
    """The demonstration's own plan, made and published once its history is worked through."""
    if kept.in_force(registry) is not None:
        return False
    waiting, days = backlog(registry)
    if waiting > QUIET_TOUCHES or not days:
        return False
    found = plan_rounds(registry, now, Ask(seconds=seconds), DEMO.name)
    if found.plan is None or not found.new:
        return False
    publish(registry, found.plan, DEMO, now, "", tell_customers=True)
    return True
