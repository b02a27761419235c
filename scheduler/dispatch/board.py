"""The dispatcher's board as the planner's questions, and a plan as what is put in force."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from typing import TypeVar

import msgspec

from fleet.calendar import local_date
from fleet.model import OPEN_STATES, JobStep
from fleet.model.book import Board, Book, JobChanges, PlanningBook, Publication, Recorded
from fleet.model.jobs import Job
from fleet.model.round_plan import RoundPlan
from scheduler import work_orders
from scheduler.dispatch.midday import recorded, recorded_today, with_begun
from scheduler.dispatch.planner_request import DAYS, request
from scheduler.dispatch.plans import events
from scheduler.dispatch.standing import told_step
from scheduler.rounds.model import Limits, PlanRequest, Seen
from scheduler.rounds.request import as_it_stands

LIMITS = Limits()

Noun = TypeVar("Noun")


def question(
    board: Board,
    now: int,
    limits: Limits = LIMITS,
    days: int = DAYS,
    storm: tuple[str, str] | None = None,
) -> PlanRequest:
    """What the planner is asked now; what stands for today does not move.

    storm: first and last local day of a storm week. The planner sees to what is left of a day that
    has begun, and to the storm.
    """
    asked = request(whole_book(board), now, days, told=board.in_force, freeze_today=True)
    return msgspec.structs.replace(
        asked, limits=limits, recorded=recorded_today(board, now), storm=storm
    )


def brought_up(known: PlanningBook, changes: JobChanges, now: int) -> Board:
    """The board as it will be read once these changes of jobs are kept."""
    board, book, rows = known.board, known.board.book, known.due.rows
    after = {job.id: job for job, _ in (*changes.steps, *changes.fresh)}
    steps = {job.id: step for job, step in changes.steps}
    jobs = {job.id: job for job in book.jobs} | after
    open_ = sorted(
        (job for job in jobs.values() if job.state in OPEN_STATES),
        key=lambda job: (job.opened_at, job.id),
    )
    where = {job.where for job in open_}
    units = book.units | {row.unit.id: row.unit for row in rows}
    owners = book.customers | {row.customer.id: row.customer for row in rows}
    book = msgspec.structs.replace(
        book,
        jobs=tuple(open_),
        sites={id: site for id, site in book.sites.items() if id in where},
        cards={id: card for id, card in book.cards.items() if id in where},
        units=_of(units, {job.unit for job in open_}),
        customers=_of(owners, {job.customer for job in open_}),
    )
    there = board.visited | known.board.book.sites
    told = board.in_force
    gone_to = told.visited(local_date(now, book.zone).isoformat()) if told else set()
    return msgspec.structs.replace(
        board,
        book=book,
        visited=_of(there, gone_to - book.sites.keys()),
        recorded=tuple(
            Recorded(job=after[one.job.id], steps=(*one.steps, steps[one.job.id]))
            if one.job.id in steps
            else one
            for one in board.recorded
        ),
    )


def _of(known: Mapping[str, Noun], wanted: Set[str]) -> dict[str, Noun]:
    return {id: one for id, one in known.items() if id in wanted}


def by_hand(board: Board, now: int) -> PlanRequest:
    """What is asked when a plan is changed by hand: nothing of today is frozen but pins, and what
    has begun is out."""
    return as_it_stands(standing(board, now, recorded_today(board, now)))


def standing(board: Board, now: int, seen: Mapping[str, Seen] | None = None) -> PlanRequest:
    """What is asked of the plan in force as it stands: the morning is still in it. seen: what was
    recorded of its jobs."""
    asked = request(whole_book(board), now, told=board.in_force)
    return msgspec.structs.replace(asked, recorded=seen)


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
        if job.id in planned and site and "tell" in work_orders.STEPS[job.state]:
            step = told_step(job, plan, site.time_zone, now, by)
            if step is not None:
                yield step
