"""People: who may come in, as what, and to see whose sets. For the owner."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.deps import AtDesk, Desk, Looking, require
from dashboard.door import name_of
from dashboard.people.words import ROLE_HINTS, ROLE_WORDS, when
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.viewers import Viewer
from fleet.registry import pages, people
from fleet.registry.people import PeopleRefused, Person, Role

router = APIRouter(
    include_in_schema=False, dependencies=[require("owner", right=None, person=True)]
)
CUSTOMERS_AT_MOST = 5_000
DONE = {"changed": "Changed. Whoever was signed in so signs in again.", "ended": "Signed out."}


@router.get("/people", response_class=HTMLResponse)
def everybody(request: Request, desk: AtDesk, viewer: Looking) -> HTMLResponse:
    return _list(request, desk, viewer)


def _list(
    request: Request,
    desk: Desk,
    viewer: Viewer,
    sent: dict[str, Any] | None = None,
    wrong: str = "",
    status: int = 200,
    made: dict[str, str] | None = None,
) -> HTMLResponse:
    names = {c.id: c.name for c in pages.customers(desk.registry, viewer.scope)}
    return frames.page(
        request,
        viewer.scope,
        "people/everybody.html",
        "people",
        status=status,
        wrong=wrong,
        made=made,
        people=[_line(person, names) for person in people.people(desk.registry)],
        customers=sorted(names.items(), key=lambda item: item[1].casefold()),
        sent={"name": "", "login": "", "role": "technician", "customers": []} | (sent or {}),
        roles=ROLE_WORDS,
        hints=ROLE_HINTS,
    )


def _line(person: Person, names: dict[str, str]) -> dict[str, Any]:
    sees = [names.get(c, c) for c in sorted(person.customers or ())]
    return {
        "id": person.id,
        "name": person.name,
        "login": person.login,
        "role": ROLE_WORDS[person.role],
        "sees": ", ".join(sees[:3]) + (f" and {len(sees) - 3} more" if len(sees) > 3 else ""),
        "state": ""
        if person.has_password and person.active
        else "shut out"
        if not person.active
        else "has not chosen a password yet",
    }


@router.post("/people", response_class=HTMLResponse)
async def add(request: Request, desk: AtDesk, viewer: Looking) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_add, request, desk, viewer, posted)


def _add(request: Request, desk: Desk, viewer: Viewer, posted: Posted) -> Response:
    now = desk.clock()
    sent: dict[str, Any] = {
        "name": posted.text("name"),
        "login": posted.text("login"),
        "role": posted.text("role"),
        "customers": posted.every("customer"),
    }
    asked = Person(
        id="",
        login=sent["login"],
        name=sent["name"],
        role=_role(sent["role"]),
        customers=frozenset(sent["customers"]) or None,
    )
    try:
        person = people.add_person(desk.registry, asked, viewer.actor, now)
        secret = people.invite(desk.registry, person.id, viewer.actor, now)
    except PeopleRefused as refusal:
        return _list(request, desk, viewer, sent, str(refusal), 422)
    made = {"name": person.name, "link": link(request, f"/join/{secret}")}
    return _list(request, desk, viewer, made=made, status=201)


def _role(text: str) -> Role:
    found = next((role for role in ROLE_WORDS if role == text), None)
    if found is None:
        raise Problem(422, f"A role is one of {', '.join(ROLE_WORDS)}.")
    return found


def link(request: Request, path: str) -> str:
    """A whole address of ours, by the name this page was asked for."""
    secure = request.app.state.desk.door.secure
    host = request.headers.get("host", "")
    scheme = "https" if secure(name_of(host)) else "http"
    return f"{scheme}://{host}{path}"


@router.get("/people/person/{id}", response_class=HTMLResponse)
def one(request: Request, desk: AtDesk, viewer: Looking, id: str, done: str = "") -> HTMLResponse:
    return _one(request, desk, viewer, _find(desk, id), done=DONE.get(done, ""))


def _find(desk: Desk, id: str) -> Person:
    found = people.person(desk.registry, id)
    if found is None:
        raise Problem(404, "There is nobody of that id.")
    return found


def _one(
    request: Request,
    desk: Desk,
    viewer: Viewer,
    person: Person,
    wrong: str = "",
    status: int = 200,
    done: str = "",
    made: dict[str, str] | None = None,
    sent: dict[str, Any] | None = None,
) -> HTMLResponse:
    names = {c.id: c.name for c in pages.customers(desk.registry, viewer.scope)}
    now = desk.clock()
    kept = {
        "name": person.name,
        "role": person.role,
        "customers": sorted(person.customers or ()),
        "active": person.active,
    }
    held = people.sessions(desk.registry, person.id, now)
    return frames.page(
        request,
        viewer.scope,
        "people/person.html",
        "people",
        status=status,
        now=now,
        person=person,
        wrong=wrong,
        done=done,
        made=made,
        sent=kept | (sent or {}),
        roles=ROLE_WORDS,
        hints=ROLE_HINTS,
        customers=sorted(names.items(), key=lambda item: item[1].casefold()),
        sessions=len(held),
        used=when(held[0].seen_at, now) if held else "",
    )


@router.post("/people/person/{id}", response_class=HTMLResponse)
async def change(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_change, request, desk, viewer, id, posted)


def _change(request: Request, desk: Desk, viewer: Viewer, id: str, posted: Posted) -> Response:
    person = _find(desk, id)
    sent: dict[str, Any] = {
        "name": posted.text("name"),
        "role": _role(posted.text("role")),
        "customers": posted.every("customer"),
        "active": bool(posted.text("active")),
    }
    try:
        people.change_person(
            desk.registry,
            id,
            viewer.actor,
            desk.clock(),
            name=sent["name"],
            role=sent["role"],
            customers=frozenset(sent["customers"]) or None,
            active=sent["active"],
        )
    except PeopleRefused as refusal:
        return _one(request, desk, viewer, person, str(refusal), 422, sent=sent)
    return RedirectResponse(f"/people/person/{id}?done=changed", 303)


@router.post("/people/person/{id}/link", response_class=HTMLResponse)
async def new_link(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    """A one-time link to choose a new password with; the present one holds until it is used."""
    await read_form(request, viewer)
    return await run_in_threadpool(_new_link, request, desk, viewer, id)


def _new_link(request: Request, desk: Desk, viewer: Viewer, id: str) -> Response:
    person = _find(desk, id)
    try:
        secret = people.invite(desk.registry, id, viewer.actor, desk.clock())
    except PeopleRefused as refusal:
        return _one(request, desk, viewer, person, str(refusal), 422)
    made = {"name": person.name, "link": link(request, f"/join/{secret}")}
    return _one(request, desk, viewer, person, made=made, status=201)


@router.post("/people/person/{id}/sessions", response_class=HTMLResponse)
async def end(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    """Sign the person out everywhere."""
    await read_form(request, viewer)
    person = await run_in_threadpool(_find, desk, id)
    await run_in_threadpool(people.end_sessions, desk.registry, person, viewer.actor, desk.clock())
    return RedirectResponse(f"/people/person/{id}?done=ended", 303)
