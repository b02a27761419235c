"""The phone rings: find the set, see its state, take the job, on one screen and without a mouse."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated
from uuid import UUID, uuid4

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.pages.unit import unit_page
from dashboard.posted import Posted, read_form
from dashboard.request_context import (
    CurrentScope,
    CurrentViewer,
    FoundUnit,
    Services,
    TheServices,
    find_unit,
    require,
)
from dashboard.viewers import Viewer
from dashboard.views import set_notices
from dashboard.views.findings import worst
from dashboard.views.named import SetName, set_name
from dashboard.views.units import condition_words
from fleet import bounds, words
from fleet.calendar import local_date
from fleet.model import (
    Condition,
    Customer,
    Errand,
    FoundBy,
    Job,
    JobState,
    Promise,
    Scope,
    Severity,
    Site,
    Unit,
    UnitSummary,
)
from fleet.registry import lists
from fleet.registry.lists.fleet import find_sets
from fleet.registry.office import kept_jobs
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.technicians import TechnicianRefused, read_parts
from fleet.words import job_sentences
from scheduler import work_orders

router = APIRouter(
    include_in_schema=False, dependencies=[require("technician", right=None, person=True)]
)
PRESSING: dict[str, tuple[str, int | None]] = {
    "now": ("Now: no cover, or danger", 0),
    "week": ("This week", 7),
    "month": ("In four weeks", 28),
    "next": ("With the next visit", None),
}
NEXT: dict[str, tuple[str, JobState]] = {
    "go": ("Somebody must go", "open"),
    "call": ("One call first", "call_first"),
    "part": ("Wait for a part", "waiting_part"),
    "yes": ("Wait for the customer's yes", "waiting_yes"),
}


COORDINATES = re.compile(r"\s*(-?\d{1,2}(?:\.\d+)?)\s*[,;\s]\s*(-?\d{1,3}(?:\.\d+)?)\s*")


class CallFault(ValueError):
    """A field that cannot be used. A sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFound:
    """A set that fits what was looked for: its name, a number to call, its gravest finding in a few
    words, else its condition (None where it was never heard), in words."""

    set: SetName
    phone: str
    severity: Severity | None
    finding: str
    condition: Condition | None
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenJob:
    """An open job in a line; state: in words."""

    id: str
    title: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenSet:
    """The set that is called about. due: names of what is due; warranty: in words; response_h: hours
    within which somebody was agreed to be there."""

    set: SetName
    state: unit_page.State
    notices: tuple[set_notices.Notice, ...]
    jobs: tuple[OpenJob, ...]
    due: tuple[str, ...]
    on_stop: bool
    warranty: str
    response_h: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CallPage:
    """The phone rings. sent: the form's fields as typed, by name; pressing, nexts: (value, words)."""

    q: str
    unit: str
    rows: tuple[SetFound, ...]
    chosen: ChosenSet | None
    sent: Mapping[str, str]
    wrong: str
    pressing: tuple[tuple[str, str], ...]
    nexts: tuple[tuple[str, str], ...]


@router.get("/jobs/call", response_class=HTMLResponse)
def call(
    request: Request,
    services: TheServices,
    scope: CurrentScope,
    q: Annotated[str, Query(max_length=100)] = "",
    unit: Annotated[str, Query(max_length=64)] = "",
    alert: Annotated[str, Query(max_length=200)] = "",
) -> HTMLResponse:
    sent = {
        "id": str(uuid4()),
        "found": "customer",
        "minutes": "60",
        "pressing": "week",
        "next": "go",
    }
    if alert:
        sent |= _from_alert(services, scope, unit, alert)
    return _screen(request, services, scope, q, unit, sent, "")


def _from_alert(services: Services, scope: Scope, unit: str, alert: str) -> dict[str, str]:
    row = lists.unit(services.registry, scope, unit)
    found = [e for e in lists.episodes(services.registry, scope, unit=unit) if e.id == alert]
    if row is None or not found:
        return {}
    finding = found[0].finding
    said = words.sentence(finding, row.site.time_zone, services.clock())
    job = work_orders.from_finding(finding, said.title, row.unit, "", "alert")
    return {
        "title": said.title,
        "symptom": said.seen,
        "found": "alert",
        "pressing": "now" if job.urgent else "week",
        "next": "call" if job.state == "call_first" else "go",
    }


def _screen(
    request: Request,
    services: Services,
    scope: Scope,
    q: str,
    unit: str,
    sent: dict[str, str],
    wrong: str,
    status: int = 200,
) -> HTMLResponse:
    now = services.clock()
    rows = find_sets(services.registry, scope, q) if q.strip() else []
    if not unit and len(rows) == 1:
        unit = rows[0].unit.id
    chosen = find_unit(services, scope, unit) if unit else None
    view = CallPage(
        q=q,
        unit=unit,
        rows=tuple(_found(*row, now) for row in rows),
        chosen=_chosen(services, scope, chosen, now) if chosen else None,
        sent=_blank(chosen) | sent,
        wrong=wrong,
        pressing=tuple((value, row[0]) for value, row in PRESSING.items()),
        nexts=tuple((value, row[0]) for value, row in NEXT.items()),
    )
    return frames.render(request, scope, "jobs/call.html", "jobs", view, status)


def _blank(chosen: FoundUnit | None) -> dict[str, str]:
    names = (
        "id",
        "title",
        "symptom",
        "caller",
        "phone",
        "parts",
        "skill",
        "minutes",
        "found",
        "pressing",
        "next",
        "people",
        "day",
        "half",
        "place",
        "there",
    )
    blank = dict.fromkeys(names, "") | {"people": "1", "minutes": "60"}
    if chosen:
        unit, site, customer, _ = chosen
        blank |= {
            "caller": unit.contact or site.contact or customer.name,
            "phone": unit.phone or site.phone or customer.phone,
        }
    return blank


def _found(
    unit: Unit, site: Site, customer: Customer, summary: UnitSummary | None, now: int
) -> SetFound:
    gravest = worst(summary.findings) if summary else None
    return SetFound(
        set=set_name(unit, site, customer),
        phone=unit.phone or site.phone or customer.phone,
        severity=gravest.severity if gravest else None,
        finding=words.sentence(gravest, site.time_zone, now).title if gravest else "",
        condition=summary.condition if summary else None,
        state=condition_words(summary, site.time_zone, now),
    )


def _chosen(services: Services, scope: Scope, chosen: FoundUnit, now: int) -> ChosenSet:
    """The set's state beside the form, its open jobs and whether its customer is on stop."""
    unit, site, customer, summary = chosen
    zone = site.time_zone
    contract = kept_jobs.contracts(services.registry, scope).get(customer.id)
    findings = summary.findings if summary else ()
    due = lists.due(services.registry, scope, unit=unit.id)[:4]
    open_jobs = [
        job
        for job in kept_jobs.jobs(services.registry, scope, unit=unit.id)
        if work_orders.is_open(job)
    ]
    return ChosenSet(
        set=set_name(unit, site, customer),
        state=unit_page.state(summary, zone, now),
        notices=tuple(set_notices.notices(findings, zone, now, words.sentence)[:3]),
        jobs=tuple(
            OpenJob(id=job.id, title=job.title, state=job_sentences.STATES[job.state])
            for job in open_jobs[:6]
        ),
        due=tuple(
            item.name for item, _, _, _ in due if item.state in ("late_beyond", "late", "due")
        ),
        on_stop=bool(contract and contract.on_stop),
        warranty=warranty(contract.warranty.get(unit.id, "") if contract else "", zone, now),
        response_h=contract.response_h if contract else None,
    )


def warranty(until: str, zone: str, now: int) -> str:
    """Whether the set is under warranty today, in words."""
    today = local_date(now, zone)
    if not until:
        return ""
    over = until < today.isoformat()
    return f"{'ended' if over else 'under warranty until'} {phrases.day_words(until, today)}"


@router.post("/jobs/call", response_class=HTMLResponse)
async def take(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_take, request, services, viewer, posted)


def _take(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    unit = posted.text("unit", 64)
    sent = posted.flat()
    try:
        job = read_job(services, viewer.scope, unit, posted)
        kept_jobs.add_jobs(
            services.registry, [work_orders.opened(job, services.clock(), viewer.name)]
        )
    except (CallFault, JobRefused, TechnicianRefused) as fault:
        return _screen(
            request, services, viewer.scope, posted.text("q", 100), unit, sent, str(fault), 422
        )
    return RedirectResponse(f"/jobs/{job.id}?done=taken", 303)


def read_job(services: Services, scope: Scope, unit: str, posted: Posted) -> Job:
    """The job a sent form describes. Raises CallFault, TechnicianRefused, Problem 404."""
    row = find_unit(services, scope, unit) if unit else None
    zone = row[1].time_zone if row else "UTC"
    symptom, title = posted.text("symptom", 2000), posted.text("title", 100)
    if not (symptom or title):
        raise CallFault("What is wrong: please write it down in the caller's words.")
    pressing = posted.text("pressing")
    if pressing not in PRESSING or posted.text("next") not in NEXT:
        raise CallFault("Choose how pressing it is, and what comes next.")
    today = local_date(services.clock(), zone)
    days = PRESSING[pressing][1]
    parts = read_parts(posted.text("parts", 500))
    return Job(
        id=_id(posted.text("id")),
        title=title or _short(symptom),
        state=NEXT[posted.text("next")][1],
        found_by=_found_by(posted.text("found")),
        customer=row[2].id if row else "",
        site=row[1].id if row else posted.text("site", 64),
        unit=row[0].id if row else "",
        symptom=symptom,
        caller=posted.text("caller", 100),
        phone=posted.text("phone", 40),
        urgent=pressing == "now",
        safety=bool(row and row[0].criticality == "life"),
        due_on="" if days is None else (today + timedelta(days=days)).isoformat(),
        parts=parts,
        skill=posted.text("skill", 60),
        minutes=read_number(posted.text("minutes") or "60", "Minutes", 5, 960),
        people=read_number(posted.text("people") or "1", "People", 1, 9),
        promise=read_promise(posted),
        errand=None if row else read_errand(posted),
    )


def _id(text: str) -> str:
    try:
        return str(UUID(text))
    except ValueError:
        raise CallFault("Open this form again and send it from there.") from None


def _short(symptom: str) -> str:
    line = symptom.splitlines()[0]
    return line if len(line) <= 60 else f"{line[:57].rstrip()}…"


def _found_by(text: str) -> FoundBy:
    return next((name for name in job_sentences.FOUND if name == text), "customer")


def read_number(text: str, label: str, least: int, most: int) -> int:
    """A whole number within its bounds. Raises CallFault, naming the field by its label."""
    try:
        return bounds.whole(text, least, most)
    except ValueError as fault:
        raise CallFault(f"{label}: {fault}") from None


def read_errand(posted: Posted) -> Errand | None:
    """Where a job without a set leads; None where nothing is written. Raises CallFault."""
    name, there = posted.text("place", 100), posted.text("there", 60)
    if not (name or there):
        return None
    numbers = COORDINATES.fullmatch(there)
    if not name or numbers is None:
        raise CallFault(
            "Where the errand leads: write the place's name, and its latitude and longitude in "
            "degrees as a map shows them, such as 55.017, -1.683."
        )
    lat, lon = float(numbers[1]), float(numbers[2])
    if abs(lat) > 90 or abs(lon) > 180:
        raise CallFault("Latitude lies between -90 and 90 degrees, longitude between -180 and 180.")
    return Errand(name=name, lat=lat, lon=lon)


def read_promise(posted: Posted) -> Promise | None:
    """A half-day the customer asked for; None where none was. Raises CallFault."""
    day, half = posted.text("day", 10), posted.text("half")
    if not day:
        return None
    try:
        bounds.day(day)
    except ValueError:
        raise CallFault("Day: write it as YYYY-MM-DD.") from None
    return Promise(day=day, half="afternoon" if half == "afternoon" else "morning", agreed=True)
