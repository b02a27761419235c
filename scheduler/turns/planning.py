"""Jobs out of due work, and rounds out of jobs: every few minutes, every night, and when asked.

A job's way into a plan is one way: the registry is read once, then the jobs are made to agree with
the due list (`work`), the board as it then stands is put as a question (`dispatch`) and answered
(`rounds`), and what changed is written once. The search itself runs in a process of its own
(`scheduler.rounds.engine`), so a plan costs this one neither memory nor its rhythm. With nothing new
the plan in force is given back unsolved.
"""

from __future__ import annotations

import logging
from uuid import uuid4

import msgspec

from fleet.calendar import day_bounds, local, local_date
from fleet.model import EVERYTHING
from fleet.model.book import Board, Draft
from fleet.registry.base.engine import Registry
from fleet.registry.office import board, kept_rounds
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.kept_rounds import Ask
from fleet.registry.people.model import Actor
from fleet.registry.unscoped import backlog
from fleet.words import plan_sentences
from fleet.words.job_sentences import travel_words
from scheduler import dispatch, rounds, work_orders
from scheduler.publishing import publish
from scheduler.rounds import PlanFault, Progress, RequestFault

log = logging.getLogger("hourhand.scheduler")

NIGHT = "the night"
"""Who asks for the plan of a night."""
NIGHT_HOUR = 2
"""Local hour of the office after which the night's plan is made; common practice, no source."""
QUIET_TOUCHES = 10
"""With more touches waiting the demonstration makes no plan of its own. A bound of ours."""
TRIES = 2
"""A plan is made once more where somebody changed a job while it was made. A bound of ours."""
DEMO = Actor("the demonstration")
NOBODY = rounds.PlanContext()
"""Nobody looks on while a plan is made, and distances are estimated."""


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """What planning led to. plan: the new draft, or the plan in force where nothing is new; board: what
    it was judged from, where something is to be said of what has no day."""

    new: bool
    said: str
    plan: rounds.RoundPlan | None = None
    draft: int | None = None
    board: Board | None = None


def sync_jobs(registry: Registry, now: int) -> int:
    """Due work within the horizon as jobs, jobs whose work was done or is gone closed, and those
    opened again whose record was taken back.

    Doing it twice does it once. What a set's due list says is let be while a record of that set
    waits to be read. Returns how many jobs were opened or changed.
    """
    changes = work_orders.reconcile(board.due_work(registry), now, new_id)
    return board.save(registry, changes, None, now).jobs


def new_id() -> str:
    """An id for a new job."""
    return str(uuid4())


def plan_rounds(
    registry: Registry, now: int, ask: Ask, by: str, context: rounds.PlanContext = NOBODY
) -> Outcome:
    """Make the jobs agree with the due list, plan them and keep the draft; with nothing new since
    the plan in force or the newest draft that one is given back unsolved. A road server that has come
    or gone is news: the draft says by which ways it was made, and the plan in force stays until
    somebody publishes.

    Raises RegistryDown where the registry is away, JobRefused where somebody changes jobs each time.
    What cannot be planned is said, not raised.
    """
    for _ in range(TRIES - 1):
        try:
            return _one_way(registry, now, ask, by, context)
        except JobRefused:
            log.info("rounds: a job changed while they were planned; once more")
    return _one_way(registry, now, ask, by, context)


def _one_way(
    registry: Registry, now: int, ask: Ask, by: str, context: rounds.PlanContext
) -> Outcome:
    """Read once, judge, place, write once."""
    known = board.gather(registry, now)
    changes = work_orders.reconcile(known.due, now, new_id)
    there = dispatch.brought_up(known, changes, now)
    found, fingerprint = _placed(there, now, ask, context)
    draft = None
    if found.new and found.plan is not None:
        note = f"storm {ask.storm[0]} to {ask.storm[1]}" if ask.storm else ""
        draft = Draft(plan=found.plan, fingerprint=fingerprint, note=note, by=by)
    saved = board.save(registry, changes, draft, now)
    return msgspec.structs.replace(found, draft=saved.draft) if draft is not None else found


def _placed(there: Board, now: int, ask: Ask, context: rounds.PlanContext) -> tuple[Outcome, str]:
    """What a board leads to, nothing of it kept yet, and the fingerprint of what was asked."""
    limits = rounds.Limits(seconds=ask.seconds, iterations=ask.iterations)
    request = dispatch.question(there, now, limits, ask.days, ask.storm)
    told = there.in_force
    if not request.technicians:
        return Outcome(new=False, said="There are no technicians yet: add them first."), ""
    no_job = Outcome(new=False, said="There is no open job to plan.", plan=told, board=there)
    if not request.jobs:
        return no_job, ""
    known = set() if ask.fresh else _fingerprints(there)
    try:
        found = rounds.answer(request, known, context)
    except (PlanFault, RequestFault) as fault:
        log.error("rounds: %s", str(fault)[:300])
        said = f"No plan could be made: {str(fault)[:300]}"
        return Outcome(new=False, said=said, plan=told), ""
    if found.empty:
        return no_job, ""
    if found.plan is None:
        return _nothing_new(there, found.fingerprint), ""
    return Outcome(
        new=True, said=_made(found.plan), plan=found.plan, board=there
    ), found.fingerprint


def sentence(outcome: Outcome, now: int) -> str:
    """What planning led to, in a sentence or two, with how many sets that want somebody have no day."""
    if outcome.board is None:
        return outcome.said
    waiting = dispatch.outside(outcome.board, outcome.plan, now).sets
    return f"{outcome.said} {plan_sentences.in_no_round(len(waiting))}".strip()


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
    return (
        f"{stops} visits in {len(plan.rounds)} rounds, {len(plan.unplanned)} jobs left out. "
        f"Driving times: {travel_words(plan.travel_source)}."
    )


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
    kept_rounds.note_ask(registry, asked.id, "done", sentence(found, now), now)
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
