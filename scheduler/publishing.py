"""What the desk asks of a plan, and a plan put in force: the board read once, the answer written once."""

from __future__ import annotations

from functools import lru_cache

from fleet.model import Job, Scope
from fleet.model.book import Book
from fleet.registry.base.engine import Registry
from fleet.registry.office import board
from fleet.registry.office.kept_rounds import RoundsRefused
from fleet.registry.people.model import Actor
from scheduler import dispatch, rounds


@lru_cache(maxsize=4)
def road(url: str) -> rounds.Travel:
    """How far places are apart: by the road server of that address, else by great circle.

    One a process, for it remembers what it was answered. Raises ValueError for another address.
    """
    return rounds.Table(url) if url else rounds.Estimate()


def changing(
    registry: Registry, now: int
) -> tuple[Book, rounds.PlanRequest, rounds.RoundPlan | None]:
    """What is asked when a plan is changed by hand. The plan: the draft where there is one, else
    the plan in force."""
    there = board.read(registry, now)
    plan = there.draft.plan if there.draft else there.in_force
    return dispatch.whole_book(there), dispatch.by_hand(there, now), plan


def proposals(
    registry: Registry, job: Job, now: int, travel: rounds.Travel | None = None
) -> tuple[rounds.Proposal, ...]:
    """Two ways at most to fit a job into the plan in force, from now on; no solver. What is
    finished, under way or gone is as it was recorded."""
    there = board.read(registry, now)
    request = dispatch.standing(there, now, dispatch.recorded(there))
    wanted = next((one for one in request.jobs if one.id == job.id), None)
    plan = there.in_force
    if plan is None or wanted is None:
        return ()
    return rounds.insert(plan, request, wanted, now, travel)


def outside(
    registry: Registry, scope: Scope, plan: rounds.RoundPlan | None, now: int
) -> dispatch.Outside:
    """What is open and has no day in a plan, as far as the scope sees."""
    return dispatch.outside(board.open_work(registry, scope), plan, now)


def publish_draft(registry: Registry, number: int, by: Actor, now: int) -> int:
    """Put the newest draft in force. Raises RoundsRefused where it is another one by now."""
    there = board.read(registry, now)
    if there.draft is None or there.draft.id != number:
        raise RoundsRefused("This draft is no longer the newest. Look at the rounds again.")
    made = dispatch.publication(there, there.draft.plan, now, by.name)
    return board.publish(registry, made, there.draft.note, by, now)


def publish(
    registry: Registry,
    plan: rounds.RoundPlan,
    by: Actor,
    now: int,
    note: str,
    tell_customers: bool = False,
) -> int:
    """Put a plan in force. tell_customers: every planned job's half-day counts as told."""
    made = dispatch.publication(board.read(registry, now), plan, now, by.name, tell_customers)
    return board.publish(registry, made, note, by, now)
