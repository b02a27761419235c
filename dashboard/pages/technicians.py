"""Technicians: base, days, skills with a last valid day, leave, the van's stock, the calendar."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.people.members import link
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentScope, CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from fleet import bounds
from fleet.calendar import local_date
from fleet.model import Scope, Technician
from fleet.registry import people
from fleet.registry.office import rounds_feed, technicians
from fleet.registry.office.technicians import (
    TechnicianRefused,
    read_leave,
    read_parts,
    read_skills,
    say_leave,
    say_parts,
    say_skills,
)
from fleet.registry.office.technicians_hours import HoursFault, read_hours, say_hours

router = APIRouter(include_in_schema=False)
LOOK = require("reader", whole=True)
OFFICE = require("office", right=None, person=True)
NEW = Technician(id="new", name="", lat=0.0, lon=0.0)
WEEK = "Mon-Fri 08:00-17:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class TechnicianLine:
    """One technician in the list. ended: skills that no longer hold; away: the leave to come."""

    id: str
    name: str
    base: str
    week: str
    skills: str
    ended: str
    active: bool
    away: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TechniciansPage:
    """Everybody who drives. may: whether this viewer may change them."""

    rows: tuple[TechnicianLine, ...]
    may: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TechnicianPage:
    """One technician's form. sent: its fields as typed, by name; secret: a calendar address that is
    shown once; people: (id, name) of who signs in; feeds: calendar addresses in use."""

    new: bool
    wrong: str
    done: str
    who: Technician
    sent: Mapping[str, str]
    secret: str
    people: tuple[tuple[str, str], ...]
    feeds: tuple[rounds_feed.Feed, ...]


@router.get("/technicians", response_class=HTMLResponse, dependencies=[LOOK])
def listing(
    request: Request, services: TheServices, viewer: CurrentViewer, scope: CurrentScope
) -> HTMLResponse:
    now = services.clock()
    view = TechniciansPage(
        rows=tuple(_line(one, now) for one in technicians.technicians(services.registry)),
        may=viewer.role in ("office", "owner"),
    )
    return frames.render(request, scope, "technicians.html", "technicians", view)


def _line(one: Technician, now: int) -> TechnicianLine:
    today = local_date(now, one.time_zone)
    ended = [s.name for s in one.skills if s.until and s.until < today.isoformat()]
    away = next((lv for lv in one.leave if lv.last >= today.isoformat()), None)
    return TechnicianLine(
        id=one.id,
        name=one.name,
        base=one.base,
        week=say_hours(one.week),
        skills=say_skills(one.skills),
        ended=", ".join(ended),
        active=one.active,
        away=f"{phrases.day_words(away.first, today)} to {phrases.day_words(away.last, today)}"
        if away
        else "",
    )


@router.get("/technicians/{id}", response_class=HTMLResponse, dependencies=[OFFICE])
def one(
    request: Request, services: TheServices, scope: CurrentScope, id: str, done: str = ""
) -> HTMLResponse:
    said = {"saved": "Kept.", "revoked": "The old addresses no longer work."}.get(done, "")
    return _form(request, services, scope, _find(services, id), done=said)


def _find(services: Services, id: str) -> Technician:
    found = NEW if id == "new" else technicians.technician(services.registry, id)
    if found is None:
        raise Problem(404, "There is no technician of that id.")
    return found


def _form(
    request: Request,
    services: Services,
    scope: Scope,
    one: Technician,
    wrong: str = "",
    status: int = 200,
    sent: dict[str, str] | None = None,
    done: str = "",
    secret: str = "",
) -> HTMLResponse:
    new = one.id == "new"
    kept = {
        "id": "" if new else one.id,
        "name": one.name,
        "base": one.base,
        "phone": one.phone,
        "lat": "" if new else f"{one.lat:g}",
        "lon": "" if new else f"{one.lon:g}",
        "time_zone": one.time_zone,
        "week": WEEK if new else say_hours(one.week),
        "skills": say_skills(one.skills),
        "leave": say_leave(one.leave),
        "stock": say_parts(one.stock),
        "person": one.person,
        "lunch_min": f"{one.lunch_min}",
        "reserve_min": f"{one.reserve_min}",
        "overtime_min": f"{one.overtime_min}",
        "active": "yes" if one.active else "",
    }
    view = TechnicianPage(
        new=new,
        wrong=wrong,
        done=done,
        who=one,
        sent=kept | (sent or {}),
        secret=secret,
        people=tuple(
            (p.id, p.name) for p in people.people(services.registry) if p.role != "reader"
        ),
        feeds=() if new else tuple(rounds_feed.feeds(services.registry, one.id)),
    )
    return frames.render(request, scope, "technician.html", "technicians", view, status)


@router.post("/technicians/{id}", response_class=HTMLResponse, dependencies=[OFFICE])
async def save(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_save, request, services, viewer, id, posted)


def _save(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    before = _find(services, id)
    try:
        if id == "new" and technicians.technician(services.registry, posted.text("id")) is not None:
            raise TechnicianRefused("id: there is a technician of that id already.")
        made = read_technician(before, posted)
        technicians.save_technician(services.registry, made, services.clock(), viewer.actor)
    except (TechnicianRefused, HoursFault) as fault:
        return _form(request, services, viewer.scope, before, str(fault), 422, posted.flat())
    return RedirectResponse(f"/technicians/{made.id}?done=saved", 303)


def read_technician(before: Technician, posted: Posted) -> Technician:
    """The technician a sent form describes. Raises TechnicianRefused, HoursFault."""
    return msgspec.structs.replace(
        before,
        id=posted.text("id", 64) if before.id == "new" else before.id,
        name=posted.text("name", 100),
        base=posted.text("base", 200),
        phone=posted.text("phone", 40),
        lat=_number(posted, "lat"),
        lon=_number(posted, "lon"),
        time_zone=posted.text("time_zone", 64) or "UTC",
        person=posted.text("person", 64),
        week=read_hours(posted.text("week", 500)),
        skills=read_skills(posted.text("skills", 1000)),
        leave=read_leave(posted.text("leave", 2000)),
        stock=read_parts(posted.text("stock", 2000)),
        lunch_min=_minutes(posted, "lunch_min", 120),
        reserve_min=_minutes(posted, "reserve_min", 480),
        overtime_min=_minutes(posted, "overtime_min", 240),
        active=bool(posted.text("active")),
    )


def _number(posted: Posted, name: str) -> float:
    try:
        return bounds.number(posted.text(name, 30), -180, 180)
    except ValueError:
        raise TechnicianRefused(f"{name}: write degrees, such as 54.60.") from None


def _minutes(posted: Posted, name: str, most: int) -> int:
    try:
        return bounds.whole(posted.text(name) or "0", 0, most)
    except ValueError:
        raise TechnicianRefused(f"{name}: write whole minutes, at most {most}.") from None


@router.post("/technicians/{id}/calendar", response_class=HTMLResponse, dependencies=[OFFICE])
async def calendar(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    """A new secret address, shown once; `revoke` takes the old ones away."""
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_calendar, request, services, viewer, id, posted)


def _calendar(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    one = _find(services, id)
    if one.id == "new":
        raise Problem(404, "There is no technician of that id.")
    if posted.text("revoke"):
        rounds_feed.revoke_feeds(services.registry, id, viewer.actor, services.clock())
        return RedirectResponse(f"/technicians/{id}?done=revoked", 303)
    _, secret = rounds_feed.make_feed(services.registry, id, viewer.actor, services.clock())
    address = link(request, f"/calendar/{secret}")
    return _form(request, services, viewer.scope, one, secret=address, status=201)
