"""GET /api/jobs and /api/rounds: the board and the plan in force, for the firm's own programs."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from dashboard.deps import AtDesk, Looking, Reader, require
from dashboard.problems import Problem
from dashboard.viewers import only_technician
from fleet.calendar import utc_text
from fleet.model import OPEN_STATES, Job, JobState
from fleet.registry import jobs as kept_jobs
from fleet.registry import rounds as kept
from scheduler import dispatch, publishing
from scheduler.rounds import Round

router = APIRouter(
    prefix="/api", tags=["jobs and rounds"], dependencies=[require("reader", whole=True)]
)


class JobOut(BaseModel):
    job: str
    title: str
    state: str
    found_by: str
    customer: str
    site: str
    unit: str
    task: str
    opened_at: str
    due_on: str | None
    urgent: bool
    safety: bool
    minutes: int
    minutes_used: int | None
    parts: dict[str, float]
    parts_used: dict[str, float] | None
    nothing: str = Field(description="why nothing was done, where it ended so")
    skill: str
    promise_day: str | None
    promise_half: str | None


class JobPage(BaseModel):
    items: list[JobOut]


class StopOut(BaseModel):
    site: str
    jobs: list[str]
    arrive_at: str
    start_at: str
    finish_at: str
    distance_m: int
    drive_s: int


class RoundOut(BaseModel):
    technician: str
    day: str
    depart_at: str
    back_at: str
    distance_m: int
    drive_s: int
    work_s: int
    stops: list[StopOut]


class UnplannedOut(BaseModel):
    job: str
    reason: str
    detail: str
    earliest_on: str | None


class InNoRoundOut(BaseModel):
    """A set with an open Act now or Same day alert that no round goes to."""

    unit: str
    severity: str
    kind: str
    alert: str
    job: str | None


class PlanOut(BaseModel):
    published_at: str
    published_by: str
    zone: str
    rounds: list[RoundOut]
    unplanned: list[UnplannedOut]
    in_no_round: list[InNoRoundOut] = Field(description="sets that want somebody, gravest first")
    not_in_plan: list[str] = Field(description="jobs opened since the plan was made")


@router.get("/jobs", response_model=JobPage)
def jobs(
    desk: AtDesk,
    scope: Reader,
    state: Annotated[list[JobState] | None, Query()] = None,
    unit: Annotated[str | None, Query(max_length=64)] = None,
) -> Any:
    """Jobs, the oldest first; without a state the open ones."""
    found = kept_jobs.jobs(desk.registry, scope, states=state or OPEN_STATES, unit=unit)
    return JobPage(items=[job_out(job) for job in found])


@router.get("/jobs/{id}", response_model=JobOut)
def job(desk: AtDesk, scope: Reader, id: str) -> Any:
    """One job."""
    found = kept_jobs.job(desk.registry, scope, id)
    if found is None:
        raise Problem(404, "There is no job of that id here.")
    return job_out(found)


def job_out(job: Job) -> JobOut:
    """A job as programs read it; the caller's name and number stay in the house."""
    return JobOut(
        job=job.id,
        title=job.title,
        state=job.state,
        found_by=job.found_by,
        customer=job.customer,
        site=job.site,
        unit=job.unit,
        task=job.task,
        opened_at=utc_text(job.opened_at),
        due_on=job.due_on or None,
        urgent=job.urgent,
        safety=job.safety,
        minutes=job.minutes,
        minutes_used=job.minutes_used,
        parts=job.parts,
        parts_used=job.parts_used,
        nothing=job.nothing,
        skill=job.skill,
        promise_day=job.promise.day if job.promise else None,
        promise_half=job.promise.half if job.promise else None,
    )


@router.get("/rounds", response_model=PlanOut)
def rounds(desk: AtDesk, viewer: Looking, scope: Reader) -> Any:
    """The plan in force; a technician's own rounds only."""
    told = kept.in_force(desk.registry)
    if told is None:
        raise Problem(404, "There are no rounds yet.")
    whose = only_technician(desk.registry, viewer)
    plan = dispatch.decode(told.doc)
    out = dispatch.Outside()
    if whose is None:
        out = publishing.outside(desk.registry, scope, plan, desk.clock())
    return PlanOut(
        published_at=utc_text(told.made_at),
        published_by=told.made_by,
        zone=plan.zone,
        rounds=[_round(r) for r in plan.rounds if whose is None or r.technician == whose],
        unplanned=[
            UnplannedOut(job=u.job, reason=u.reason.value, detail=u.detail, earliest_on=u.earliest)
            for u in plan.unplanned
            if whose is None
        ],
        in_no_round=[
            InNoRoundOut(
                unit=one.unit,
                severity=one.episode.severity,
                kind=one.episode.kind,
                alert=one.episode.id,
                job=one.job.id if one.job else None,
            )
            for one in out.sets
        ],
        not_in_plan=[job.id for job in out.jobs],
    )


def _round(one: Round) -> RoundOut:
    return RoundOut(
        technician=one.technician,
        day=one.day,
        depart_at=utc_text(one.depart),
        back_at=utc_text(one.back),
        distance_m=one.metres,
        drive_s=one.travel_s,
        work_s=one.work_s,
        stops=[
            StopOut(
                site=s.site,
                jobs=list(s.jobs),
                arrive_at=utc_text(s.arrive),
                start_at=utc_text(s.start),
                finish_at=utc_text(s.finish),
                distance_m=s.metres,
                drive_s=s.travel_s,
            )
            for s in one.stops
        ],
    )
