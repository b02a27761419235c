"""Jobs out of due work, and rounds out of jobs: every few minutes, every night, and when asked.

The search itself runs in a process of its own (`scheduler.rounds.engine`), so a plan costs this one
neither memory nor its rhythm. With nothing new the plan in force is given back unsolved.
"""

from __future__ import annotations

import logging
from uuid import uuid4

import msgspec

from fleet.calendar import day_bounds, local, local_date
from fleet.model import EVERYTHING
from fleet.model.book import Board
from fleet.registry.base.engine import Registry
from fleet.registry.office import board, kept_rounds
from fleet.registry.office.kept_rounds import Ask
from fleet.registry.people.model import Actor
from fleet.registry.unscoped import backlog
from fleet.words import planned
from fleet.words.job_sentences import travel_words
from scheduler import dispatch, rounds, work
from scheduler.publishing import publish
from scheduler.rounds import PlanFault, Progress, RequestFault

log = logging.getLogger("hourhand.scheduler")

NIGHT = "the night"
"""Who asks for the plan of a night."""
NIGHT_HOUR = 2
"""Local hour of the office after which the night's plan is made; common practice, no source."""
QUIET_TOUCHES = 10
"""With more touches waiting the demonstration makes no plan of its own. A bound of ours."""
DEMO = Actor("the demonstration")
NOBODY = rounds.PlanContext()
"""Nobody looks on while a plan is made, and distances are estimated."""


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
    known = board.due_work(registry)
    what = work.reconcile(known, now, lambda: str(uuid4()))
    return board.keep_jobs(registry, what.steps, what.fresh)


def plan_rounds(
    registry: Registry, now: int, ask: Ask, by: str, context: rounds.PlanContext = NOBODY
) -> Outcome:
    """Plan and keep the draft; with nothing new since the plan in force or the newest draft that
    one is given back unsolved. A road server that has come or gone is news: the draft says by which
    ways it was made, and the plan in force stays until somebody publishes.

    Raises RegistryDown where the registry is away. What cannot be planned is said, not raised.
    """
    sync_jobs(registry, now)
    there = board.read(registry, now, alerts=True)
    limits = rounds.Limits(seconds=ask.seconds, iterations=ask.iterations)
    request = dispatch.question(there, now, limits, ask.days, ask.storm)
    told = there.in_force
    if not request.technicians:
        return Outcome(new=False, said="There are no technicians yet: add them first.")
    if not request.jobs:
        said = f"There is no open job to plan. {_waits(there, told, now)}".strip()
        return Outcome(new=False, said=said, plan=told)
    known = set() if ask.fresh else _fingerprints(there)
    try:
        found = rounds.answer(request, known, context)
    except (PlanFault, RequestFault) as fault:
        log.error("rounds: %s", str(fault)[:300])
        said = f"No plan could be made: {str(fault)[:300]}"
        return Outcome(new=False, said=said, plan=told)
    if found.plan is None:
        return _nothing_new(there, found.fingerprint)
    note = f"storm {ask.storm[0]} to {ask.storm[1]}" if ask.storm else ""
    id = board.save_draft(registry, found.plan, found.fingerprint, note, by, now)
    said = " ".join(filter(None, (_made(found.plan), _waits(there, found.plan, now))))
    said += f" Driving times: {travel_words(found.plan.travel_source)}."
    return Outcome(new=True, said=said, plan=found.plan, draft=id)


def _fingerprints(there: Board) -> set[str]:
    """What the plans at hand were made of."""
    found = {there.draft.fingerprint} if there.draft else set()
    return found | {there.told.plan.fingerprint} if there.told else found


def _nothing_new(there: Board, fingerprint: str) -> Outcome:
    draft = there.draft
    if draft is not None and draft.fingerprint == fingerprint:
        said = "Nothing has changed since this draft."
        return Outcome(new=False, said=said, plan=draft.plan, draft=draft.id)
    said = "Nothing has changed since the plan in force."
    return Outcome(new=False, said=said, plan=there.in_force)


def _made(plan: rounds.RoundPlan) -> str:
    stops = sum(len(r.stops) for r in plan.rounds)
    return f"{stops} visits in {len(plan.rounds)} rounds, {len(plan.unplanned)} jobs left out."


def _waits(there: Board, plan: rounds.RoundPlan | None, now: int) -> str:
    return planned.in_no_round(len(dispatch.outside(there, plan, now).sets))


def answer(registry: Registry, now: int, context: rounds.PlanContext = NOBODY) -> bool:
    """Answer the oldest ask that waits. True where there was one."""
    asked = kept_rounds.waiting_ask(registry)
    if asked is None:
        return False
    last = -1

    def tell(progress: Progress) -> None:
        nonlocal last
        percent = int(100 * progress.share)
        if percent >= last + 10:
            last = percent
            kept_rounds.note_ask(
                registry, asked.id, "working", f"{progress.step}, {percent} %", now
            )

    kept_rounds.note_ask(registry, asked.id, "working", "reading the book", now)
    try:
        told = msgspec.structs.replace(context, tell=tell)
        found = plan_rounds(registry, now, asked.ask, asked.by, told)
    except Exception as fault:
        kept_rounds.note_ask(registry, asked.id, "failed", type(fault).__name__, now)
        raise
    kept_rounds.note_ask(registry, asked.id, "done", found.said, now)
    return True


def night(registry: Registry, now: int) -> bool:
    """Ask for the night's plan once a night, after two by the office's clock. True where asked."""
    people = kept_rounds.book(registry, EVERYTHING)
    if not people.technicians:
        return False
    zone = people.zone
    if local(now, zone).hour < NIGHT_HOUR:
        return False
    midnight = day_bounds(local_date(now, zone), zone)[0]
    last = kept_rounds.last_asked_at(registry, NIGHT)
    if last is not None and last >= midnight:
        return False
    kept_rounds.ask(registry, Ask(), NIGHT, now)
    return True


def demonstrate(registry: Registry, now: int, seconds: float = 8.0) -> bool:
    """The demonstration's own plan, made and published once its history is worked through."""
    if kept_rounds.in_force(registry, EVERYTHING) is not None:
        return False
    waiting, days = backlog(registry)
    if waiting > QUIET_TOUCHES or not days:
        return False
    found = plan_rounds(registry, now, Ask(seconds=seconds), DEMO.name)
    if found.plan is None or not found.new:
        return False
    publish(registry, found.plan, DEMO, now, "", tell_customers=True)
    return True
