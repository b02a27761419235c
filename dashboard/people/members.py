"""People: who may come in, as what, and to see whose sets. For the owner."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.door import name_of
from dashboard.people.labels import ROLE_HINTS, ROLE_WORDS, when
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from fleet.registry import lists, people
from fleet.registry.people import PeopleRefused, Person, Role

router = APIRouter(
    include_in_schema=False, dependencies=[require("owner", right=None, person=True)]
)
CUSTOMERS_AT_MOST = 5_000
"""Customers of a form. A bound of ours."""
Customers = tuple[tuple[str, str], ...]
"""(id, name), by name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Something that is shown once and never again: a link to send on, or a program's secret."""

    name: str
    link: str = ""
    secret: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonForm:
    """What the form of a person holds, as typed. customers: ids; active: may come in."""

    name: str = ""
    login: str = ""
    role: str = "technician"
    customers: tuple[str, ...] = ()
    active: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class MemberLine:
    """One who may come in. sees: names of customers, '' for every set; state: why not (yet)."""

    id: str
    name: str
    login: str
    role: str
    sees: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MembersPage:
    """Who may come in, and the form for one more. customers: (id, name); roles, hints: in words."""

    wrong: str
    made: Made | None
    people: tuple[MemberLine, ...]
    customers: Customers
    sent: PersonForm
    roles: dict[Role, str]
    hints: dict[Role, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonPage:
    """One who may come in. sessions: browsers signed in; used: when one last was, in words."""

    person: Person
    wrong: str
    done: str
    made: Made | None
    sent: PersonForm
    roles: dict[Role, str]
    hints: dict[Role, str]
    customers: Customers
    sessions: int
    used: str


DONE = {"changed": "Changed. Whoever was signed in so signs in again.", "ended": "Signed out."}


@router.get("/people", response_class=HTMLResponse)
def members(request: Request, services: TheServices, viewer: CurrentViewer) -> HTMLResponse:
    return _list(request, services, viewer)


def _list(
    request: Request,
    services: Services,
    viewer: Viewer,
    sent: PersonForm | None = None,
    wrong: str = "",
    status: int = 200,
    made: Made | None = None,
) -> HTMLResponse:
    names = {c.id: c.name for c in lists.customers(services.registry, viewer.scope)}
    view = MembersPage(
        wrong=wrong,
        made=made,
        people=tuple(_line(person, names) for person in people.people(services.registry)),
        customers=by_name(names),
        sent=sent or PersonForm(),
        roles=ROLE_WORDS,
        hints=ROLE_HINTS,
    )
    return frames.render(request, viewer.scope, "people/members.html", "people", view, status)


def by_name(names: dict[str, str]) -> Customers:
    """(id, name) of customers, by name."""
    return tuple(sorted(names.items(), key=lambda item: item[1].casefold()))


def _line(person: Person, names: dict[str, str]) -> MemberLine:
    sees = [names.get(c, c) for c in sorted(person.customers or ())]
    state = "" if person.has_password else "has not chosen a password yet"
    return MemberLine(
        id=person.id,
        name=person.name,
        login=person.login,
        role=ROLE_WORDS[person.role],
        sees=", ".join(sees[:3]) + (f" and {len(sees) - 3} more" if len(sees) > 3 else ""),
        state=state if person.active else "shut out",
    )


@router.post("/people", response_class=HTMLResponse)
async def add(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_add, request, services, viewer, posted)


def _add(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    now = services.clock()
    sent = PersonForm(
        name=posted.text("name"),
        login=posted.text("login"),
        role=posted.text("role"),
        customers=tuple(posted.every("customer")),
    )
    asked = Person(
        id="",
        login=sent.login,
        name=sent.name,
        role=_role(sent.role),
        customers=frozenset(sent.customers) or None,
    )
    try:
        person = people.add_person(services.registry, asked, viewer.actor, now)
        secret = people.invite(services.registry, person.id, viewer.actor, now)
    except PeopleRefused as refusal:
        return _list(request, services, viewer, sent, str(refusal), 422)
    made = Made(name=person.name, link=link(request, f"/join/{secret}"))
    return _list(request, services, viewer, made=made, status=201)


def _role(text: str) -> Role:
    found = next((role for role in ROLE_WORDS if role == text), None)
    if found is None:
        raise Problem(422, f"A role is one of {', '.join(ROLE_WORDS)}.")
    return found


def link(request: Request, path: str) -> str:
    """A whole address of ours, by the name this page was asked for."""
    secure = request.app.state.services.door.secure
    host = request.headers.get("host", "")
    scheme = "https" if secure(name_of(host)) else "http"
    return f"{scheme}://{host}{path}"


@router.get("/people/person/{id}", response_class=HTMLResponse)
def one(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str, done: str = ""
) -> HTMLResponse:
    return _one(request, services, viewer, _find(services, id), done=DONE.get(done, ""))


def _find(services: Services, id: str) -> Person:
    found = people.person(services.registry, id)
    if found is None:
        raise Problem(404, "There is nobody of that id.")
    return found


def _one(
    request: Request,
    services: Services,
    viewer: Viewer,
    person: Person,
    wrong: str = "",
    status: int = 200,
    done: str = "",
    made: Made | None = None,
    sent: PersonForm | None = None,
) -> HTMLResponse:
    names = {c.id: c.name for c in lists.customers(services.registry, viewer.scope)}
    now = services.clock()
    kept = PersonForm(
        name=person.name,
        role=person.role,
        customers=tuple(sorted(person.customers or ())),
        active=person.active,
    )
    sessions = people.sessions(services.registry, person.id, now)
    view = PersonPage(
        person=person,
        wrong=wrong,
        done=done,
        made=made,
        sent=sent or kept,
        roles=ROLE_WORDS,
        hints=ROLE_HINTS,
        customers=by_name(names),
        sessions=len(sessions),
        used=when(sessions[0].seen_at, now) if sessions else "",
    )
    return frames.render(request, viewer.scope, "people/person.html", "people", view, status)


@router.post("/people/person/{id}", response_class=HTMLResponse)
async def change(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_change, request, services, viewer, id, posted)


def _change(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    person = _find(services, id)
    role = _role(posted.text("role"))
    sent = PersonForm(
        name=posted.text("name"),
        role=role,
        customers=tuple(posted.every("customer")),
        active=bool(posted.text("active")),
    )
    try:
        people.change_person(
            services.registry,
            id,
            viewer.actor,
            services.clock(),
            name=sent.name,
            role=role,
            customers=frozenset(sent.customers) or None,
            active=sent.active,
        )
    except PeopleRefused as refusal:
        return _one(request, services, viewer, person, str(refusal), 422, sent=sent)
    return RedirectResponse(f"/people/person/{id}?done=changed", 303)


@router.post("/people/person/{id}/link", response_class=HTMLResponse)
async def new_link(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    """A one-time link to choose a new password with; the present one holds until it is used."""
    await read_form(request, viewer)
    return await run_in_threadpool(_new_link, request, services, viewer, id)


def _new_link(request: Request, services: Services, viewer: Viewer, id: str) -> Response:
    person = _find(services, id)
    try:
        secret = people.invite(services.registry, id, viewer.actor, services.clock())
    except PeopleRefused as refusal:
        return _one(request, services, viewer, person, str(refusal), 422)
    made = Made(name=person.name, link=link(request, f"/join/{secret}"))
    return _one(request, services, viewer, person, made=made, status=201)


@router.post("/people/person/{id}/sessions", response_class=HTMLResponse)
async def end(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    """Sign the person out everywhere."""
    await read_form(request, viewer)
    person = await run_in_threadpool(_find, services, id)
    await run_in_threadpool(
        people.end_sessions, services.registry, person, viewer.actor, services.clock()
    )
    return RedirectResponse(f"/people/person/{id}?done=ended", 303)
