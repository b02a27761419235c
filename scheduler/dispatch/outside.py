"""What is open and has no day: sets that want somebody, and jobs that the plan does not know of."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from fleet.calendar import local_date
from fleet.model import OPEN_STATES, SEVERITIES, Episode, Job
from fleet.model.book import GOES_TODAY, Board
from fleet.model.round_plan import RoundPlan
from scheduler import work_orders
from scheduler.dispatch.planner_request import PLANNED_STATES


class Wanting(msgspec.Struct, frozen=True, kw_only=True):
    """A set that wants somebody and that no round goes to. job: its open job for it; None: none."""

    unit: str
    episode: Episode
    job: Job | None = None


class Outside(msgspec.Struct, frozen=True, kw_only=True):
    """What has no day. sets: gravest first. jobs: open, in no round ahead, and without a reason."""

    sets: tuple[Wanting, ...] = ()
    jobs: tuple[Job, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.sets or self.jobs)


def outside(board: Board, plan: RoundPlan | None, at: int) -> Outside:
    """What is open on the board and has no day in a plan (None: there is none).

    A set with an open Act now or Same day alert that wants somebody to go counts as gone to where
    its job for that is in a round from today on or under way, or where any visit of today goes to
    it. One row a set, its gravest alert.
    """
    today = local_date(at, plan.zone if plan else board.book.zone)
    open_ = [job for job in board.book.jobs if job.state in OPEN_STATES]
    ahead = [r for r in plan.rounds if r.day >= today.isoformat()] if plan else []
    placed = {job for r in ahead for job in r.jobs}
    now = {job for r in ahead if r.day == today.isoformat() for job in r.jobs}
    gone_to = {
        job.unit
        for job in open_
        if job.state == "under_way" or job.id in now or (job.id in placed and not job.routine)
    }
    found: dict[str, Wanting] = {}
    for episode in sorted(
        board.alerts, key=lambda e: (SEVERITIES.index(e.severity), e.opened_at, e.id)
    ):
        kind, _, unit = episode.subject.partition(":")
        wants = episode.severity in GOES_TODAY and work_orders.suggests(episode.finding)
        if kind == "unit" and wants and episode.closed_at is None and unit not in gone_to:
            found.setdefault(unit, Wanting(unit=unit, episode=episode, job=_job(open_, unit)))
    given = {u.job for u in plan.unplanned} if plan else set()
    left = tuple(
        job
        for job in open_
        if job.state in PLANNED_STATES and job.id not in placed and job.id not in given
    )
    return Outside(sets=tuple(found.values()), jobs=left)


def _job(jobs: Iterable[Job], unit: str) -> Job | None:
    """The open job of a set that is no routine work: the urgent one, else the oldest."""
    mine = [job for job in jobs if job.unit == unit and not job.routine]
    return min(mine, key=lambda job: (not job.urgent, job.opened_at, job.id), default=None)
