"""The dispatcher's board as the planner's questions, and a plan as what is put in force."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from fleet.model import JobStep
from fleet.model.book import Board, Book, Publication
from fleet.model.jobs import Job
from fleet.model.round_plan import RoundPlan
from scheduler import work
from scheduler.dispatch.midday import recorded, what_is_left, with_begun
from scheduler.dispatch.planner_request import DAYS, LIMITS, request
from scheduler.dispatch.plans import events
from scheduler.dispatch.standing import told_step
from scheduler.rounds import storm_week
from scheduler.rounds.model import Limits, PlanRequest


def question(
    board: Board,
    now: int,
    limits: Limits = LIMITS,
    days: int = DAYS,
    storm: tuple[str, str] | None = None,
) -> PlanRequest:
    """What the planner is asked now; what stands for today does not move.

    storm: first and last local day of a storm week.
    """
    asked = request(whole_book(board), now, limits, days, told=board.in_force, freeze_today=True)
    asked = what_is_left(asked, board, now)
    return storm_week.storm(asked, *storm) if storm is not None else asked


def by_hand(board: Board, now: int) -> PlanRequest:
    """What is asked when a plan is changed by hand: nothing of today is frozen but pins, and what
    has begun is out."""
    return what_is_left(standing(board, now), board, now)


def standing(board: Board, now: int) -> PlanRequest:
    """What is asked of the plan in force as it stands: the morning is still in it."""
    return request(whole_book(board), now, told=board.in_force)


def whole_book(board: Board) -> Book:
    """The office's book, with the places people are sent to today though nothing is open there."""
    return msgspec.structs.replace(board.book, sites=board.book.sites | board.visited)


def publication(
    board: Board, made: RoundPlan, now: int, by: str, tell_customers: bool = False
) -> Publication:
    """A plan to be put in force over the one on the board.

    tell_customers: every planned job's half-day counts as told. Raises NotPossible.
    """
    whole = with_begun(board.in_force, made, now, recorded(board))
    return Publication(
        plan=whole,
        over=board.told.id if board.told else None,
        steps=tuple(_told(board.book, made, now, by)) if tell_customers else (),
        events=events(whole, board.book),
    )


def _told(book: Book, plan: RoundPlan, now: int, by: str) -> Iterable[tuple[Job, JobStep]]:
    planned = plan.jobs
    for job in book.jobs:
        site = book.sites.get(job.where)
        if job.id in planned and site and "tell" in work.STEPS[job.state]:
            step = told_step(job, plan, site.time_zone, now, by)
            if step is not None:
                yield step
