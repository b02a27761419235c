"""The planner's question from the registry, and a plan put in force: for the clockwork and the desk."""

from __future__ import annotations

from functools import lru_cache

import msgspec

from fleet.calendar import local_date
from fleet.model import EVERYTHING, Job, Scope
from fleet.model.book import Book
from fleet.registry import jobs as kept_jobs
from fleet.registry import pages
from fleet.registry import rounds as kept
from fleet.registry.engine import Registry
from fleet.registry.people.types import Actor
from fleet.registry.rounds import Ask
from scheduler import dispatch, rounds, work

EPISODES = 200
TOUCHED = frozenset({"done", "billed", "part_done", "under_way"})
"""States in which somebody has been at the set."""


@lru_cache(maxsize=4)
def road(url: str) -> rounds.Travel:
    """How far places are apart: by the road server of that address, else by great circle.

    One a process, for it remembers what it was answered. Raises ValueError for another address.
    """
    return rounds.Table(url) if url else rounds.Estimate()


def question(
    registry: Registry, now: int, ask: Ask
) -> tuple[Book, rounds.PlanRequest, rounds.RoundPlan | None]:
    """What the planner is asked now: the book, the request, the plan in force."""
    plan = _in_force(registry)
    book = _book(registry, plan, now)
    limits = rounds.Limits(seconds=ask.seconds, iterations=ask.iterations)
    asked = dispatch.request(book, now, limits, ask.days, told=plan, freeze_today=True)
    asked = _left(registry, asked, plan, now)
    if ask.storm is not None:
        asked = rounds.storm(asked, *ask.storm)
    return book, asked, plan


def changing(
    registry: Registry, now: int
) -> tuple[Book, rounds.PlanRequest, rounds.RoundPlan | None]:
    """What is asked when a plan is changed by hand: nothing of today is frozen but pins, and what
    has begun is out. The plan: the draft where there is one, else the plan in force."""
    plan = _in_force(registry)
    book = _book(registry, plan, now)
    asked = _left(registry, dispatch.request(book, now, told=plan), plan, now)
    draft = kept.draft(registry)
    return book, asked, dispatch.decode(draft.doc) if draft else plan


def proposals(
    registry: Registry, job: Job, now: int, travel: rounds.Travel | None = None
) -> tuple[rounds.Proposal, ...]:
    """Two ways at most to fit a job into the plan in force, from now on; no solver. What is
    finished, under way or gone is as it was recorded."""
    plan = _in_force(registry)
    book = _book(registry, plan, now)
    asked = dispatch.request(book, now, told=plan)
    wanted = next((one for one in asked.jobs if one.id == job.id), None)
    if plan is None or wanted is None:
        return ()
    return rounds.insert(plan, asked, wanted, now, travel, seen(registry, plan))


def outside(
    registry: Registry, scope: Scope, plan: rounds.RoundPlan | None, now: int
) -> dispatch.Outside:
    """What is open and has no day in a plan, as far as the scope sees."""
    book = kept.book(registry, scope)
    zone = plan.zone if plan else dispatch.office_zone(book)
    episodes, more = [], pages.episodes(registry, scope, limit=EPISODES)
    while more:
        episodes += more
        grave = more[-1].severity in dispatch.GOES_TODAY and len(more) == EPISODES
        more = pages.episodes(registry, scope, limit=EPISODES, cursor=more[-1].id) if grave else []
    return dispatch.outside(episodes, book.jobs, plan, local_date(now, zone))


def seen(registry: Registry, plan: rounds.RoundPlan) -> dict[str, rounds.Seen]:
    """What was recorded of the jobs of a plan."""
    jobs = kept_jobs.by_id(registry, EVERYTHING, {job for r in plan.rounds for job in r.jobs})
    found = {}
    for job in jobs.values():
        steps = kept_jobs.steps(registry, EVERYTHING, job.id) if job.state in TOUCHED else ()
        what = dispatch.seen(job, steps)
        if what is not None:
            found[job.id] = what
    return found


def _in_force(registry: Registry) -> rounds.RoundPlan | None:
    told = kept.in_force(registry)
    return dispatch.decode(told.doc) if told else None


def _book(registry: Registry, plan: rounds.RoundPlan | None, now: int) -> Book:
    """The office's book, with the places people are sent to today though nothing is open there."""
    book = kept.book(registry, EVERYTHING)
    today = local_date(now, dispatch.office_zone(book)).isoformat()
    more = dispatch.visited(plan, today) - book.sites.keys()
    places = kept.places(registry, EVERYTHING, more) if more else {}
    return msgspec.structs.replace(book, sites=book.sites | {id: p[0] for id, p in places.items()})


def _left(
    registry: Registry, asked: rounds.PlanRequest, plan: rounds.RoundPlan | None, now: int
) -> rounds.PlanRequest:
    """The request with what is left of a plan whose day has begun."""
    known = seen(registry, plan) if plan is not None else {}
    if plan is None or not dispatch.begun(plan, now, known):
        return asked
    return rounds.remainder(asked, plan, now, known)


def publish(
    registry: Registry,
    plan: rounds.RoundPlan,
    by: Actor,
    now: int,
    note: str,
    tell_customers: bool = False,
) -> int:
    """Put a plan in force. tell_customers: every planned job's half-day counts as told."""
    told = kept.in_force(registry)
    book = kept.book(registry, EVERYTHING)
    before = dispatch.decode(told.doc) if told else None
    whole = dispatch.with_begun(before, plan, now, seen(registry, before) if before else {})
    steps = []
    if tell_customers:
        placed = dispatch.places(plan)
        for job in book.jobs:
            site = book.sites.get(job.where)
            if job.id in placed and site and "tell" in work.STEPS[job.state]:
                step = dispatch.told_step(job, plan, site.time_zone, now, by.name)
                steps += [step] if step else []
    return kept.publish(
        registry,
        dispatch.encode(whole),
        plan.fingerprint,
        note,
        by,
        now,
        told.id if told else None,
        steps,
        dispatch.events(whole, book),
    )
