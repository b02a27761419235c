"""Rounds changed by the office: planned again, published, moved by hand, an urgent call fitted in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import msgspec
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.pages.jobs.job import found
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentScope, CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from dashboard.views.rounds import ChangeLine, changed, clock, sheet_of
from fleet import bounds
from fleet.calendar import days_from, local_date
from fleet.model import HandPin, Job, Scope
from fleet.registry.office import kept_jobs, kept_rounds
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.kept_rounds import Ask, RoundsRefused
from fleet.words import job_sentences
from scheduler import dispatch, publishing, rounds, work_orders
from scheduler.rounds import RequestFault
from scheduler.work_orders import NotPossible

OFFICE = [require("office", right=None, person=True)]
router = APIRouter(include_in_schema=False, dependencies=OFFICE)
WAYS = {
    "least": "Disturbs fewest",
    "soonest": "There soonest",
    "other": "Another way",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePage:
    """A job placed by hand. where: its place in the plan; kind, to: what was asked; violations: what
    that breaks, None before anything was asked; slots: (value, words) of every technician's day."""

    job: Job
    wrong: str
    where: str
    place: str
    kind: str
    to: str
    violations: tuple[str, ...] | None
    changes: tuple[ChangeLine, ...]
    slots: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A way to fit an urgent job in. at: arrival (UTC seconds), arrive: by the office's clock;
    disturbs: how many visits are moved; reserve: it uses the hour kept free."""

    kind: str
    name: str
    who: str
    day: str
    at: int
    arrive: str
    disturbs: str
    price: str
    reserve: bool
    changes: tuple[ChangeLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class InsertPage:
    """An urgent job with the ways to fit it in, none where nobody can be there."""

    job: Job
    place: str
    ways: tuple[Proposal, ...]
    wrong: str


@router.post("/rounds/plan", response_class=HTMLResponse)
async def plan(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    """Ask the planner; the scheduler answers."""
    posted = await read_form(request, viewer)
    first, last = posted.text("storm_from", 10), posted.text("storm_to", 10)
    storm = None
    if first or last:
        storm = (_day(first), _day(last))
        if storm[0] > storm[1]:
            raise Problem(422, "The storm ends before it begins: put the earlier day first.")
    await run_in_threadpool(
        kept_rounds.ask,
        services.registry,
        Ask(storm=storm, fresh=storm is not None),
        viewer.name,
        services.clock(),
    )
    return RedirectResponse("/rounds?done=asked", 303)


def _day(text: str) -> str:
    try:
        return bounds.day(text).isoformat()
    except ValueError:
        raise Problem(422, "Write both days as YYYY-MM-DD.") from None


@router.post("/rounds/publish", response_class=HTMLResponse)
async def publish(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer)
    await run_in_threadpool(_publish, services, viewer, posted.text("draft"))
    return RedirectResponse("/rounds?done=published", 303)


def _publish(services: Services, viewer: Viewer, number: str) -> None:
    id = int(number) if number.isascii() and number.isdigit() else 0
    _refused_as_problem(
        lambda: publishing.publish_draft(services.registry, id, viewer.actor, services.clock())
    )


def _refused_as_problem(publish: Callable[[], int]) -> None:
    try:
        publish()
    except (RoundsRefused, JobRefused) as refusal:
        raise Problem(409, str(refusal)) from None


@router.post("/rounds/discard", response_class=HTMLResponse)
async def discard(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    await read_form(request, viewer)
    await run_in_threadpool(kept_rounds.drop_drafts, services.registry)
    return RedirectResponse("/rounds?done=discarded", 303)


@router.post("/rounds/tell", response_class=HTMLResponse)
async def tell_customers(
    request: Request, services: TheServices, viewer: CurrentViewer
) -> Response:
    """Write down that the customers of a round know their half-days."""
    posted = await read_form(request, viewer)
    await run_in_threadpool(
        _tell, services, viewer, posted.text("technician", 64), posted.text("day", 10)
    )
    return RedirectResponse("/rounds?done=told", 303)


def _tell(services: Services, viewer: Viewer, technician: str, day: str) -> None:
    published = kept_rounds.in_force(services.registry, viewer.scope)
    made = dispatch.decode(published.doc) if published else None
    one = made.round_of(technician, day) if made else None
    if made is None or one is None:
        raise Problem(404, "There is no such round.")
    jobs = kept_jobs.by_id(services.registry, viewer.scope, one.jobs)
    places = kept_rounds.places(
        services.registry, viewer.scope, {job.where for job in jobs.values()}
    )
    steps = []
    for job in jobs.values():
        if job.where in places and "tell" in work_orders.STEPS[job.state]:
            zone = places[job.where][0].time_zone
            step = dispatch.told_step(job, made, zone, services.clock(), viewer.name)
            steps += [step] if step else []
    kept_jobs.add_steps(services.registry, steps, viewer.actor)


# --- by hand -----------------------------------------------------------------------------------


@router.get("/rounds/change/{id}", response_class=HTMLResponse)
def change_page(
    request: Request, services: TheServices, viewer: CurrentViewer, scope: CurrentScope, id: str
) -> Response:
    return _change_page(request, services, scope, found(services, scope, id))


def _change_page(
    request: Request,
    services: Services,
    scope: Scope,
    job: Job,
    wrong: str = "",
    status: int = 200,
    verdict: rounds.Verdict | None = None,
    kind: str = "",
    to: str = "",
) -> HTMLResponse:
    book, _, plan = publishing.changing(services.registry, services.clock())
    zone = book.zone
    today = local_date(services.clock(), zone)
    names = {one.id: one.name for one in book.technicians}
    at = plan.places.get(job.id) if plan else None
    where = ""
    if at:
        where = f"{phrases.day_words(at[1], today)} {clock(at[2], zone)}, {names.get(at[0], at[0])}"
    sheet = sheet_of(services, scope, verdict.plan) if verdict else None
    place = book.sites.get(job.where)
    view = ChangePage(
        job=job,
        wrong=wrong,
        where=where,
        place=place.name if place else "",
        kind=kind,
        to=to,
        violations=tuple(v.detail for v in verdict.violations) if verdict else None,
        changes=changed(sheet, verdict.changes) if verdict and sheet else (),
        slots=slots(dispatch.request(book, services.clock()), today, names),
    )
    return frames.render(request, scope, "rounds/change.html", "rounds", view, status)


def slots(
    asked: rounds.PlanRequest, today: date, names: dict[str, str]
) -> tuple[tuple[str, str], ...]:
    """Every technician-day of the horizon: (value, words)."""
    last = days_from(asked.first_day, asked.days)[-1]
    found = [
        (shift.day, names.get(one.id, one.id), one.id)
        for one in asked.technicians
        for shift in one.shifts
        if shift.day <= last
    ]
    return tuple(
        (f"{id}/{day}", f"{phrases.day_words(day, today)}, {name}")
        for day, name, id in sorted(found)
    )


@router.post("/rounds/change/{id}", response_class=HTMLResponse)
async def change(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_change, request, services, viewer, id, posted)


def _change(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    job, now = found(services, viewer.scope, id), services.clock()
    kind, to = posted.text("kind"), posted.text("to", 80)
    _, asked, plan = publishing.changing(services.registry, now)
    if plan is None:
        raise Problem(409, "There is no plan yet: make one first.")
    if kind in ("pin", "unpin"):
        _pin(services, viewer, job, plan if kind == "pin" else None)
        return RedirectResponse(f"/rounds/change/{id}", 303)
    try:
        verdict = verdict_of(plan, asked, id, kind, to, _road(services))
    except RequestFault as fault:
        return _change_page(request, services, viewer.scope, job, str(fault), 422)
    if verdict.violations and not posted.text("keep"):
        return _change_page(request, services, viewer.scope, job, "", 200, verdict, kind, to)
    kept_rounds.save_draft(
        services.registry,
        dispatch.encode(verdict.plan),
        f"by hand {now}",
        "changed by hand",
        viewer.name,
        now,
    )
    if kind == "move":
        _pin(services, viewer, job, verdict.plan)
    elif job.pin is not None:
        _pin(services, viewer, job, None)
    return RedirectResponse(f"/rounds?done={'moved' if kind == 'move' else 'removed'}", 303)


def _road(services: Services) -> rounds.Travel:
    return publishing.road(services.settings.road_table_url)


def verdict_of(
    plan: rounds.RoundPlan,
    asked: rounds.PlanRequest,
    job: str,
    kind: str,
    to: str,
    travel: rounds.Travel | None = None,
) -> rounds.Verdict:
    """The plan with a job moved or removed, and the checker's word. Raises RequestFault."""
    free = tuple(pin for pin in asked.pins if pin.job != job)
    asked = msgspec.structs.replace(asked, pins=free)
    if kind == "remove":
        return rounds.remove(plan, asked, job, travel)
    technician, _, day = to.partition("/")
    return rounds.move(plan, asked, job, rounds.Place(technician, day), travel)


def _pin(services: Services, viewer: Viewer, job: Job, plan: rounds.RoundPlan | None) -> None:
    """Pin a job where a plan has it; None: take its pin off."""
    at = plan.places.get(job.id) if plan else None
    pin = HandPin(technician=at[0], day=at[1], start=at[2]) if at else None
    try:
        step = work_orders.advance(
            job, "pin" if pin else "unpin", services.clock(), viewer.name, changes={"pin": pin}
        )
        kept_jobs.add_steps(services.registry, [step], viewer.actor)
    except (NotPossible, JobRefused) as fault:
        raise Problem(409, str(fault)) from None


# --- an urgent call ----------------------------------------------------------------------------


@router.get("/rounds/insert/{id}", response_class=HTMLResponse)
def insert_page(
    request: Request, services: TheServices, viewer: CurrentViewer, scope: CurrentScope, id: str
) -> Response:
    return _insert_page(request, services, scope, found(services, scope, id))


def _insert_page(
    request: Request, services: Services, scope: Scope, job: Job, wrong: str = "", status: int = 200
) -> HTMLResponse:
    now = services.clock()
    if not wrong and job.state not in dispatch.PLANNED_STATES:
        wrong = (
            f"There is nothing to fit in: this job is {job_sentences.STATES[job.state].lower()}."
        )
    place = kept_rounds.places(services.registry, scope, [job.where]).get(job.where)
    ways = []
    for one in publishing.proposals(services.registry, job, now, _road(services)):
        sheet = sheet_of(services, scope, one.plan)
        who = sheet.technicians.get(one.technician)
        moved = msgspec.structs.replace(
            one.changes,
            changes=tuple(
                c for c in one.changes.changes if c.job != job.id and c.why != "job_gone"
            ),
        )
        others = changed(sheet, moved)
        moves = len({c.place for c in others})
        ways.append(
            Proposal(
                kind=one.kind,
                name=WAYS[one.kind],
                who=who.name if who else one.technician,
                day=phrases.day_words(one.day, sheet.today),
                at=one.arrive,
                arrive=clock(one.arrive, sheet.plan.zone),
                disturbs=phrases.count(moves, "visit") if others else "nobody",
                price=f"{one.price:.0f}",
                reserve=one.uses_reserve,
                changes=others,
            )
        )
    view = InsertPage(job=job, place=place[0].name if place else "", ways=tuple(ways), wrong=wrong)
    return frames.render(request, scope, "rounds/insert.html", "rounds", view, status)


@router.post("/rounds/insert/{id}", response_class=HTMLResponse)
async def insert(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_insert, request, services, viewer, id, posted)


def _insert(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    job = found(services, viewer.scope, id)
    wanted = posted.text("kind")
    chosen = next(
        (
            one
            for one in publishing.proposals(
                services.registry, job, services.clock(), _road(services)
            )
            if one.kind == wanted
        ),
        None,
    )
    if chosen is None:
        text = "This proposal no longer stands; here are the present ones."
        return _insert_page(request, services, viewer.scope, job, text, 409)
    note = f"urgent: {job.title}"[:200]
    _refused_as_problem(
        lambda: publishing.publish(
            services.registry, chosen.plan, viewer.actor, services.clock(), note
        )
    )
    return RedirectResponse("/rounds?done=inserted", 303)
