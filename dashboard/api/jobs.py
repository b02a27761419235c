"""GET /api/jobs and /api/rounds: the board and the plan in force, for the firm's own programs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from dashboard.problems import Problem
from dashboard.request_context import CurrentScope, CurrentViewer, TheServices, require
from dashboard.viewers import only_technician
from dashboard.views.planned import (
    InNoRoundView,
    JobPage,
    JobView,
    PlanView,
    UnplannedView,
    job_view,
    round_view,
)
from fleet.model import OPEN_STATES, JobState
from fleet.registry.office import kept_jobs, kept_rounds
from scheduler import dispatch, publishing

router = APIRouter(
    prefix="/api", tags=["jobs and rounds"], dependencies=[require("reader", whole=True)]
)


@router.get("/jobs")
def jobs(
    services: TheServices,
    scope: CurrentScope,
    state: Annotated[list[JobState] | None, Query()] = None,
    unit: Annotated[str | None, Query(max_length=64)] = None,
) -> JobPage:
    """Jobs, the oldest first; without a state the open ones."""
    found = kept_jobs.jobs(services.registry, scope, states=state or OPEN_STATES, unit=unit)
    return JobPage(items=[job_view(job) for job in found])


@router.get("/jobs/{id}")
def job(services: TheServices, scope: CurrentScope, id: str) -> JobView:
    """One job."""
    found = kept_jobs.job(services.registry, scope, id)
    if found is None:
        raise Problem(404, "There is no job of that id here.")
    return job_view(found)


@router.get("/rounds")
def rounds(services: TheServices, viewer: CurrentViewer, scope: CurrentScope) -> PlanView:
    """The plan in force; a technician's own rounds only."""
    told = kept_rounds.in_force(services.registry, scope)
    if told is None:
        raise Problem(404, "There are no rounds yet.")
    whose = only_technician(services.registry, viewer)
    plan = dispatch.decode(told.doc)
    out = dispatch.Outside()
    if whose is None:
        out = publishing.outside(services.registry, scope, plan, services.clock())
    return PlanView(
        published_at=told.made_at,
        published_by=told.made_by,
        zone=plan.zone,
        rounds=[round_view(r) for r in plan.rounds if whose is None or r.technician == whose],
        unplanned=[
            UnplannedView(job=u.job, reason=u.reason.value, detail=u.detail, earliest_on=u.earliest)
            for u in plan.unplanned
            if whose is None
        ],
        in_no_round=[
            InNoRoundView(
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
