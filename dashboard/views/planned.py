"""Jobs and the plan in force as the firm's own programs read them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from msgspec import Meta

from dashboard.views.contract import Form, View, view_of
from fleet.model import Job
from fleet.model.round_plan import Stop
from scheduler.rounds import Round


class JobView(Job, View, frozen=True, kw_only=True):
    """A job; the caller's name and number stay in the house."""

    form = Form(
        only=frozenset(
            {
                "id",
                "title",
                "state",
                "found_by",
                "customer",
                "site",
                "unit",
                "task",
                "opened_at",
                "urgent",
                "safety",
                "minutes",
                "minutes_used",
                "parts",
                "parts_used",
                "nothing",
                "skill",
            }
        ),
        renamed={"id": "job", "due": "due_on"},
        about={"nothing": "why nothing was done, where it ended so"},
    )
    due: str | None
    promise_day: str | None
    promise_half: str | None


def job_view(job: Job) -> JobView:
    """A job as its page and programs read it."""
    return view_of(
        JobView,
        job,
        due=job.due_on or None,
        promise_day=job.promise.day if job.promise else None,
        promise_half=job.promise.half if job.promise else None,
    )


class JobPage(View, frozen=True, kw_only=True):
    """Jobs, the oldest first."""

    items: Sequence[JobView]


class StopView(Stop, View, frozen=True, kw_only=True):
    """One arrival at a site and the work done there then."""

    form = Form(
        only=frozenset({"site", "jobs", "arrive", "start", "finish", "metres", "travel_s"}),
        renamed={
            "arrive": "arrive_at",
            "start": "start_at",
            "finish": "finish_at",
            "metres": "distance_m",
            "travel_s": "drive_s",
        },
        moments=frozenset({"arrive", "finish"}),
    )


class RoundView(View, frozen=True, kw_only=True):
    """One technician's day."""

    technician: str
    day: str
    depart_at: int
    back_at: int
    distance_m: int
    drive_s: int
    work_s: int
    stops: Sequence[StopView]


def round_view(one: Round) -> RoundView:
    """A round as programs read it."""
    return RoundView(
        technician=one.technician,
        day=one.day,
        depart_at=one.depart,
        back_at=one.back,
        distance_m=one.metres,
        drive_s=one.travel_s,
        work_s=one.work_s,
        stops=[view_of(StopView, stop) for stop in one.stops],
    )


class UnplannedView(View, frozen=True, kw_only=True):
    """A job in no round and the one reason."""

    job: str
    reason: str
    detail: str
    earliest_on: str | None


class InNoRoundView(View, frozen=True, kw_only=True):
    """A set with an open Act now or Same day alert that no round goes to."""

    unit: str
    severity: str
    kind: str
    alert: str
    job: str | None


class PlanView(View, frozen=True, kw_only=True):
    """The plan in force."""

    published_at: int
    published_by: str
    zone: str
    rounds: Sequence[RoundView]
    unplanned: Sequence[UnplannedView]
    in_no_round: Annotated[
        Sequence[InNoRoundView], Meta(description="sets that want somebody, gravest first")
    ]
    not_in_plan: Annotated[Sequence[str], Meta(description="jobs opened since the plan was made")]
