"""One job: what is to be done, what happened to it, and what may come next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypedDict

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.authors import NotYourName
from dashboard.pages.jobs import finishing, reopening
from dashboard.pages.jobs.call import CallFault, read_number, read_promise
from dashboard.pages.unit import unit_page
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import (
    CurrentScope,
    CurrentViewer,
    Services,
    TheServices,
    find_unit,
    require,
)
from dashboard.viewers import Viewer, only_technician
from dashboard.views.jobs import mark, placed, promise_words, severity
from dashboard.views.named import SetName, set_name
from dashboard.views.planned import JobView, job_view
from dashboard.views.set_findings import SetFindings, set_findings
from fleet import bounds, words
from fleet.calendar import local_date
from fleet.model import Job, JobStep, Promise, Scope, Severity
from fleet.model.jobs import StepKind
from fleet.registry.facts.records import RecordRefused
from fleet.registry.office import kept_jobs, technicians
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.technicians import TechnicianRefused, read_parts, say_parts
from fleet.words import job_sentences
from scheduler import dispatch, work_orders
from scheduler.work_orders import NotPossible

router = APIRouter(include_in_schema=False)
LOOK = require("reader", whole=True)
DO = require("technician", right=None, person=True)
BY_HAND: tuple[StepKind, ...] = (
    "called",
    "said_yes",
    "part_came",
    "begin",
    "stop",
    "call",
    "wait_part",
    "ask",
    "book",
    "unbook",
    "bill",
    "unpin",
    "note",
    "drop",
)
"""Steps a person takes on this page, the likeliest first; finishing and opening again have forms of
their own, because they write records."""
DONE = {
    "taken": "Taken. It stands on the board.",
    "step": "Written down.",
    "finished": "Written down with its records. What is due is worked out anew within seconds.",
    "again": "Opened again. What was taken back no longer counts; due dates follow within seconds.",
}
REFUSALS = (NotPossible, NotYourName, JobRefused, CallFault, RecordRefused, TechnicianRefused)


class JobChanges(TypedDict, total=False):
    """Fields of a job that a step changes."""

    promise: Promise
    parts_on: str
    title: str
    minutes: int
    skill: str
    parts: dict[str, float]
    technician: str
    due_on: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepLine:
    """One step of a job's life, in words; more: what it wrote besides itself."""

    at: str
    what: str
    by: str
    note: str
    more: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPage:
    """One job. state_name, found_by, mark, severity, promise: how it stands; set, state, reach, findings: of the
    set it is for; names: of technicians, by id; where: its place in the plan in force, day and
    technician of it where this viewer may open that round; nexts: steps in words, that may come next;
    finish, reopen: their forms, None where this viewer may not or it cannot be; sent_finish: the form
    of finishing was sent and refused; fits_in: this viewer may fit it into the rounds of today."""

    job: JobView
    state_name: str
    found_by: str
    wrong: str
    done: str
    set: SetName | None
    state: unit_page.State | None
    reach: unit_page.Reach | None
    mark: str
    severity: Severity | None
    where: str
    promise: str
    parts: str
    used: str
    names: dict[str, str]
    day: str
    technician: str
    life: tuple[StepLine, ...]
    nexts: dict[StepKind, str]
    findings: SetFindings
    finish: finishing.FinishForm | None
    reopen: reopening.ReopenForm | None
    sent_finish: bool
    open: bool
    fits_in: bool


@router.get("/jobs/{id}", response_class=HTMLResponse, dependencies=[LOOK])
def page(
    request: Request, services: TheServices, scope: CurrentScope, id: str, done: str = ""
) -> HTMLResponse:
    return _page(request, services, scope, found(services, scope, id), done=DONE.get(done, ""))


def found(services: Services, scope: Scope, id: str) -> Job:
    """The job, or Problem 404."""
    job = kept_jobs.job(services.registry, scope, id)
    if job is None:
        raise Problem(404, "There is no job of that id here.")
    return job


def _page(
    request: Request,
    services: Services,
    scope: Scope,
    job: Job,
    wrong: str = "",
    status: int = 200,
    done: str = "",
    sent: dict[str, str] | None = None,
    doubt: str = "",
) -> HTMLResponse:
    now, viewer = services.clock(), request.state.viewer
    row = find_unit(services, scope, job.unit) if job.unit else None
    zone = row[1].time_zone if row else "UTC"
    today = local_date(now, zone)
    at = placed(services, scope).get(job.id)
    mine = only_technician(services.registry, request.state.viewer)
    names = {one.id: one.name for one in technicians.technicians(services.registry)}
    where = ""
    if at:
        where = f"{phrases.day_words(at[1], today)}, {names.get(at[0], at[0])}, about {words.moment(at[2], zone, now)}"
    finish = None
    if viewer.may_record and finishing.may(job):
        finish = finishing.form(services, viewer, job, sent or {}, zone, now, doubt)
    reopen = None
    if viewer.may_record and reopening.may(job):
        reopen = reopening.form(services, scope, job, zone, now)
    view = JobPage(
        job=job_view(job),
        state_name=job_sentences.STATES[job.state],
        found_by=job_sentences.FOUND[job.found_by],
        wrong=wrong,
        done=done,
        set=set_name(*row[:3]) if row else None,
        state=unit_page.state(row[3], zone, now) if row else None,
        reach=unit_page.reach(*row[:3]) if row else None,
        mark=mark(job, zone, now),
        severity=severity(job, zone, now),
        where=where,
        promise=promise_words(job, zone, now),
        parts=say_parts(job.parts),
        used=say_parts(job.parts_used or {}),
        names=names,
        day=at[1] if at else "",
        technician=at[0] if at and mine in (None, at[0]) else "",
        life=tuple(
            _line(step, zone, now)
            for step in kept_jobs.steps(services.registry, scope, job.id)[::-1]
        ),
        nexts={
            kind: job_sentences.STEPS[kind]
            for kind in BY_HAND
            if kind in work_orders.STEPS[job.state]
        },
        findings=set_findings(services, scope, job, row, now),
        finish=finish,
        reopen=reopen,
        sent_finish=bool(sent and finish),
        open=work_orders.is_open(job),
        fits_in=viewer.role in ("office", "owner") and dispatch.fits_in(job) and not where,
    )
    return frames.render(request, scope, "jobs/job.html", "jobs", view, status)


def _line(step: JobStep, zone: str, now: int) -> StepLine:
    return StepLine(
        at=words.moment(step.at, zone, now),
        what=job_sentences.STEPS[step.kind],
        by=f"{step.by} for {step.facts['for']}" if step.facts.get("for") else step.by,
        note=step.note,
        more=_written(step),
    )


def _written(step: JobStep) -> str:
    """What a step wrote besides itself, in words."""
    said = []
    if step.facts.get("done"):
        said.append(f"Done: {', '.join(map(str, step.facts['done']))}.")
    if step.facts.get("records"):
        said.append(f"{phrases.count(len(step.facts['records']), 'record')} written.")
    if step.facts.get("taken_back"):
        said.append(f"{phrases.count(len(step.facts['taken_back']), 'record')} taken back.")
    moved = step.facts.get("parts_moved")
    if isinstance(moved, dict) and moved:
        back = any(amount < 0 for amount in moved.values())
        parts = say_parts({part: abs(amount) for part, amount in moved.items()})
        said.append(f"{parts} {'put back into' if back else 'out of'} the van.")
    return " ".join(said)


@router.post("/jobs/{id}/step", response_class=HTMLResponse, dependencies=[DO])
async def step(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    posted = await read_form(request, viewer, finishing.FIELDS_AT_MOST)
    return await run_in_threadpool(_step, request, services, viewer, id, posted)


def _step(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    job = found(services, viewer.scope, id)
    asked = posted.text("kind")
    if asked in (*finishing.FINISHING, "reopen"):
        return _with_records(request, services, viewer, job, posted)
    kind = next((k for k in (*BY_HAND, "change") if k == posted.text("kind")), None)
    try:
        if kind is None:
            raise NotPossible("Choose what happened.")
        if posted.text("n") != str(job.n):
            raise NotPossible("Somebody changed this job meanwhile. Look at it, then repeat it.")
        changes = read_changes(kind, posted)
        made = work_orders.advance(
            job, kind, services.clock(), viewer.name, posted.text("note", 500), changes
        )
        kept_jobs.add_steps(services.registry, [made], viewer.actor)
    except (NotPossible, JobRefused, CallFault, TechnicianRefused) as fault:
        return _page(request, services, viewer.scope, job, str(fault), 422)
    return RedirectResponse(f"/jobs/{id}?done=step", 303)


def _with_records(
    request: Request, services: Services, viewer: Viewer, job: Job, posted: Posted
) -> Response:
    """Finish the job, or open it again, with what that writes."""
    finishes = posted.text("kind") in finishing.FINISHING
    try:
        if finishes:
            done = finishing.write(services, viewer, job, posted)
        elif posted.text("n") != str(job.n):
            raise NotPossible("Somebody changed this job meanwhile. Look at it, then repeat it.")
        else:
            done = reopening.write(services, viewer, job, posted)
    except REFUSALS as fault:
        doubt = str(fault) if isinstance(fault, finishing.Doubted) else ""
        sent = posted.flat() if finishes else None
        return _page(request, services, viewer.scope, job, str(fault), 422, sent=sent, doubt=doubt)
    return RedirectResponse(f"/jobs/{job.id}?done={done}", 303)


def read_changes(kind: StepKind, posted: Posted) -> JobChanges:
    """What a step's fields change. Raises CallFault, TechnicianRefused."""
    if kind == "book":
        promise = read_promise(posted)
        if promise is None:
            raise CallFault("Book: give the day the customer was promised.")
        return {"promise": promise}
    if kind == "wait_part":
        return {"parts_on": _day(posted.text("parts_on", 10), "The part comes")}
    if kind == "change":
        minutes = read_number(posted.text("minutes"), "Minutes", 5, 960)
        return {
            "title": posted.text("title", 100) or "Job",
            "minutes": minutes,
            "skill": posted.text("skill", 60),
            "parts": read_parts(posted.text("parts", 500)),
            "technician": posted.text("technician", 64),
            "due_on": _day(posted.text("due_on", 10), "Due"),
        }
    return {}


def _day(text: str, label: str) -> str:
    if not text:
        return ""
    try:
        return bounds.day(text).isoformat()
    except ValueError:
        raise CallFault(f"{label}: write the day as YYYY-MM-DD.") from None
