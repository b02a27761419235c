"""One's own account: where one is signed in, and a new password."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.people import cookies
from dashboard.people.labels import ROLE_WORDS, browser, when
from dashboard.posted import read_form
from dashboard.request_context import CurrentViewer, Services, TheServices, address_of, require
from dashboard.viewers import Viewer
from fleet.registry import lists, people
from fleet.registry.people import PeopleRefused, Person, Session

router = APIRouter(
    include_in_schema=False, dependencies=[require("reader", right=None, person=True)]
)
FIELDS_AT_MOST = 8
"""Fields of a form. A bound of ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionLine:
    """A browser that is signed in. phone: its owner's own; here: the one that asks; since, used: in
    words."""

    id: str
    browser: str
    address: str
    phone: bool
    here: bool
    since: str
    used: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AccountPage:
    """One's own account. role: in words; customers: names of those whose sets are seen, none: all."""

    person: Person
    role: str
    customers: tuple[str, ...]
    wrong: str
    done: str
    sessions: tuple[SessionLine, ...]


@router.get("/account", response_class=HTMLResponse)
def account(
    request: Request, services: TheServices, viewer: CurrentViewer, done: str = ""
) -> HTMLResponse:
    return _page(request, services, viewer, done=done)


def _page(
    request: Request,
    services: Services,
    viewer: Viewer,
    wrong: str = "",
    status: int = 200,
    done: str = "",
) -> HTMLResponse:
    me = _session(viewer)
    now = services.clock()
    names: list[str] = []
    if viewer.scope.customers is not None:
        names = [c.name for c in lists.customers(services.registry, viewer.scope)]
    view = AccountPage(
        person=me.person,
        role=ROLE_WORDS[me.person.role],
        customers=tuple(names),
        wrong=wrong,
        done={
            "ended": "The others were signed out.",
            "password": "The new password holds, and every other browser was signed out.",
        }.get(done, ""),
        sessions=tuple(
            _line(held, me.id, now)
            for held in people.sessions(services.registry, me.person.id, now)
        ),
    )
    return frames.render(request, viewer.scope, "people/account.html", "account", view, status)


def _session(viewer: Viewer) -> Session:
    assert viewer.session is not None, "the route asks for a person"
    return viewer.session


def _line(held: Session, mine: str, now: int) -> SessionLine:
    return SessionLine(
        id=held.id,
        browser=browser(held.agent),
        address=held.address,
        phone=held.phone,
        here=held.id == mine,
        since=when(held.made_at, now),
        used=when(held.seen_at, now),
    )


@router.post("/account/sessions", response_class=HTMLResponse)
async def end_others(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    """Sign out one other browser, or all others."""
    posted = await read_form(request, viewer, FIELDS_AT_MOST)
    me = _session(viewer)
    only = posted.text("session", 64)
    await run_in_threadpool(
        people.end_sessions,
        services.registry,
        me.person,
        viewer.actor,
        services.clock(),
        only,
        "" if only else me.id,
    )
    return RedirectResponse("/account?done=ended", 303)


@router.post("/account/password", response_class=HTMLResponse)
async def new_password(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    """A new password; every session ends, and this browser gets a new one."""
    posted = await read_form(request, viewer, FIELDS_AT_MOST)
    me = _session(viewer)
    await services.throttle.knock(me.person.login, address_of(request))
    known = await run_in_threadpool(people.by_login, services.registry, me.person.login)
    new = posted.secret("password")
    try:
        if known is None or not await services.hashing.verify(known[1], posted.secret("old")[:200]):
            raise PeopleRefused("The present password is not right.")
        if new != posted.secret("again"):
            raise PeopleRefused("The two new passwords differ: type the same one twice.")
        people.check_password(new, me.person.login)
    except PeopleRefused as refusal:
        return await run_in_threadpool(_page, request, services, viewer, str(refusal), 422)
    services.throttle.welcome(me.person.login, address_of(request))
    kept = await services.hashing.hash(new)
    return await run_in_threadpool(_renew, request, services, viewer, me, kept)


def _renew(
    request: Request, services: Services, viewer: Viewer, me: Session, kept: str
) -> Response:
    now = services.clock()
    people.set_password(services.registry, me.person.id, kept, viewer.actor, now)
    token = people.open_session(
        services.registry, me.person, me.phone, me.agent, address_of(request), now, "", kept
    )
    response = RedirectResponse("/account?done=password", 303)
    cookies.give(request, response, token, people.ABSOLUTE_S if me.phone else None)
    return response
