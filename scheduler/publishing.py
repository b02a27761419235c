"""The planner's question from the registry, and a plan put in force: for the clockwork and the desk."""

from __future__ import annotations

from functools import lru_cache

from fleet.model import EVERYTHING, Job
from fleet.model.book import Book
from fleet.registry import rounds as kept
from fleet.registry.engine import Registry
from fleet.registry.people.types import Actor
from fleet.registry.rounds import Ask
from scheduler import dispatch, rounds, work


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
    book = kept.book(registry, EVERYTHING)
    told = kept.in_force(registry)
    plan = dispatch.decode(told.doc) if told else None
    limits = rounds.Limits(seconds=ask.seconds, iterations=ask.iterations)
    asked = dispatch.request(book, now, limits, ask.days, told=plan, freeze_today=True)
    if plan is not None and dispatch.begun(plan, now):
        asked = rounds.remainder(asked, plan, now)
    if ask.storm is not None:
        asked = rounds.storm(asked, *ask.storm)
    return book, asked, plan


def changing(
    registry: Registry, now: int
) -> tuple[Book, rounds.PlanRequest, rounds.RoundPlan | None]:
    """What is asked when a plan is changed by hand: nothing of today is frozen but pins, and what
    has begun is out. The plan: the draft where there is one, else the plan in force."""
    book = kept.book(registry, EVERYTHING)
    told = kept.in_force(registry)
    plan = dispatch.decode(told.doc) if told else None
    asked = dispatch.request(book, now, told=plan)
    if plan is not None and dispatch.begun(plan, now):
        asked = rounds.remainder(asked, plan, now)
    draft = kept.draft(registry)
    return book, asked, dispatch.decode(draft.doc) if draft else plan


def proposals(
    registry: Registry, job: Job, now: int, travel: rounds.Travel | None = None
) -> tuple[rounds.Proposal, ...]:
    """Two ways at most to fit a job into the plan in force, from now on; no solver."""
    book = kept.book(registry, EVERYTHING)
    told = kept.in_force(registry)
    plan = dispatch.decode(told.doc) if told else None
    asked = dispatch.request(book, now, told=plan)
    wanted = next((one for one in asked.jobs if one.id == job.id), None)
    if plan is None or wanted is None:
        return ()
    return rounds.insert(plan, asked, wanted, now, travel)


def publish(
    registry: Registry, plan: rounds.RoundPlan, by: Actor, now: int, note: str,
    tell_customers: bool = False,
) -> int:  # fmt: skip
    """Put a plan in force. tell_customers: every planned job's half-day counts as told."""
    told = kept.in_force(registry)
    book = kept.book(registry, EVERYTHING)
    whole = dispatch.with_begun(dispatch.decode(told.doc) if told else None, plan, now)
    steps = []
    if tell_customers:
        placed = dispatch.places(plan)
        for job in book.jobs:
            site = book.sites.get(job.where)
            if job.id in placed and site and "tell" in work.STEPS[job.state]:
                step = dispatch.told_step(job, plan, site.time_zone, now, by.name)
                steps += [step] if step else []
    return kept.publish(
        registry, dispatch.encode(whole), plan.fingerprint, note, by, now,
        told.id if told else None, steps, dispatch.events(whole, book),
    )  # fmt: skip
