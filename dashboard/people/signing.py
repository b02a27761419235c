"""Signing in and out, the first owner, and choosing a password by invitation."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, unsent
from dashboard.door import WANTS_TLS
from dashboard.people import cookies
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import (
    ANYONE,
    CurrentViewer,
    Services,
    TheServices,
    address_of,
    cookie_of,
    find_viewer,
    host_of,
    require,
)
from fleet.registry import people
from fleet.registry.people import PeopleRefused, Person

router = APIRouter(include_in_schema=False)
FIELDS_AT_MOST = 12
UNSENT_FIELDS_AT_MOST = 5_000
"""Fields of a form, and of one that is taken up again. A bound of ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignInForm:
    """What the sign-in form holds, as typed. phone: one's own device; next: where to go on; ended:
    why one is here; unsent: a form that was sent before, sealed."""

    login: str = ""
    phone: bool = False
    next: str = "/"
    ended: str = ""
    unsent: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignInPage:
    """Signing in. insecure: why nothing secret may be typed here, '' where it may."""

    wrong: str
    insecure: str
    sent: SignInForm
    demo: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUpForm:
    """What the form of the first owner holds, as typed."""

    name: str = ""
    login: str = ""
    code: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUpPage:
    """Making the first owner. coded: the code from the terminal is wanted."""

    wrong: str
    insecure: str
    sent: SetUpForm
    coded: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinPage:
    """Choosing a password by invitation. secret: of the link that was opened."""

    wrong: str
    insecure: str
    secret: str
    person: Person


WRONG = "That user name and password do not belong together."


@router.get("/sign-in", response_class=HTMLResponse, dependencies=[ANYONE])
def sign_in_page(request: Request, services: TheServices, next: str = "/") -> Response:
    found = find_viewer(request)
    if found is not None and found.kind == "person":
        return RedirectResponse(onward(next), 303)
    if not people.owner_exists(services.registry):
        return RedirectResponse("/set-up", 303)
    return _sign_in_form(request, services, SignInForm(next=onward(next)))


def _sign_in_form(
    request: Request, services: Services, sent: SignInForm, wrong: str = "", status: int = 200
) -> HTMLResponse:
    insecure = "" if services.door.private(host_of(request)) else WANTS_TLS
    view = SignInPage(wrong=wrong, insecure=insecure, sent=sent, demo=services.settings.demo)
    return frames.render_door(request, "people/sign_in.html", view, status)


async def sign_in_first(request: Request) -> HTMLResponse:
    """The sign-in page for who sent a form after the session had ended: it takes the text along."""
    services: Services = request.app.state.services
    sent = SignInForm(ended=unsent.ENDED_BEFORE)
    if request.url.path != "/sign-out":
        try:
            async with request.form(max_files=0, max_fields=UNSENT_FIELDS_AT_MOST) as form:
                found = unsent.unsent_of(request, form)
        except HTTPException as fault:
            raise Problem(401, "Sign in first, then send the form again.") from fault
        sent = SignInForm(ended=unsent.ENDED_TOO_LONG)
        if found is not None:
            sent = SignInForm(
                ended=unsent.ENDED, next=onward(found.page), unsent=services.unsent.closed(found)
            )
    answer = await run_in_threadpool(_sign_in_form, request, services, sent, "", 401)
    answer.headers["www-authenticate"] = 'Bearer realm="hourhand"'
    return answer


def onward(asked: str) -> str:
    """Where to go after signing in: a path of ours, never another site."""
    plain = asked.startswith("/") and asked[1:2] not in ("/", "\\") and asked.isprintable()
    return asked[:500] if plain and not asked.startswith(("/sign-", "/set-up")) else "/"


@router.post("/sign-in", response_class=HTMLResponse, dependencies=[ANYONE])
async def sign_in(request: Request, services: TheServices) -> Response:
    only_private(request, services)
    posted = await read_form(request, None, FIELDS_AT_MOST)
    login = people.tidy_login(posted.text("login", 100))
    address = address_of(request)
    await services.throttle.knock(login, address)
    person, kept = await run_in_threadpool(_known, services, login)
    password = posted.secret("password")
    right = len(password) <= 200 and await services.hashing.verify(kept, password)
    if not right or person is None or not person.active:
        why = "shut out" if right else "wrong password" if person else "unknown name"
        await run_in_threadpool(
            people.note_failure,
            services.registry,
            person.login if person else "",
            address,
            why,
            services.clock(),
        )
        sent = SignInForm(
            login=posted.text("login", 100),
            phone=bool(posted.text("phone")),
            next=onward(posted.text("next", 500)),
            unsent=posted.secret("unsent"),
        )
        return await run_in_threadpool(_sign_in_form, request, services, sent, WRONG, 401)
    services.throttle.welcome(login, address)
    kept = await _hashed_anew(services, person, kept, password)
    phone = bool(posted.text("phone"))
    waiting = services.unsent.opened(posted.secret("unsent"))
    return await run_in_threadpool(
        _let_in, request, services, person, phone, onward(posted.text("next", 500)), kept, waiting
    )


def only_private(request: Request, services: Services) -> None:
    """Raises Problem where a password sent here could be read on the way."""
    if not services.door.private(host_of(request)):
        raise Problem(403, WANTS_TLS)


def _known(services: Services, login: str) -> tuple[Person | None, str]:
    return people.by_login(services.registry, login) or (None, "")


async def _hashed_anew(services: Services, person: Person, kept: str, password: str) -> str:
    """The hash in today's parameters, where it was made with others."""
    if not people.needs_rehash(kept):
        return kept
    new = await services.hashing.hash(password)
    await run_in_threadpool(people.rehash, services.registry, person.id, kept, new)
    return new


def _let_in(
    request: Request,
    services: Services,
    person: Person,
    phone: bool,
    to: str,
    proof: str,
    waiting: unsent.Unsent | None = None,
) -> Response:
    """A new session with a new token, whatever the browser came with. waiting: a form that was
    sent before, which is kept for its page where it is this person's."""
    try:
        token = people.open_session(
            services.registry,
            person,
            phone,
            request.headers.get("user-agent", ""),
            address_of(request),
            services.clock(),
            cookie_of(request),
            proof,
        )
    except PeopleRefused as refusal:
        return _sign_in_form(request, services, SignInForm(login=person.login), str(refusal), 401)
    if waiting is not None and waiting.is_of(person.id):
        session = people.session_of(services.registry, token, services.clock())
        if session is not None:
            services.unsent.keep(session.id, waiting)
    response = RedirectResponse(to, 303)
    cookies.give(request, response, token, people.ABSOLUTE_S if phone else None)
    return response


@router.post("/sign-out", dependencies=[require("reader", right=None)])
async def sign_out(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    await read_form(request, viewer, FIELDS_AT_MOST)
    response = RedirectResponse("/signed-out", 303)
    if viewer.session is not None:
        await run_in_threadpool(
            people.sign_out,
            services.registry,
            viewer.session,
            address_of(request),
            services.clock(),
        )
        cookies.take(request, response)
    else:
        cookies.take(request, response, "share")
    return response


@router.get("/signed-out", response_class=HTMLResponse, dependencies=[ANYONE])
def signed_out(request: Request) -> HTMLResponse:
    return frames.render_door(request, "people/signed_out.html")


# --- the first owner ---------------------------------------------------------------------------


@router.get("/set-up", response_class=HTMLResponse, dependencies=[ANYONE])
def set_up_page(request: Request, services: TheServices) -> Response:
    if people.owner_exists(services.registry):
        return RedirectResponse("/sign-in", 303)
    return _set_up_form(request, services, SetUpForm())


def _set_up_form(
    request: Request, services: Services, sent: SetUpForm, wrong: str = "", status: int = 200
) -> HTMLResponse:
    view = SetUpPage(
        wrong=wrong,
        insecure="" if services.door.private(host_of(request)) else WANTS_TLS,
        sent=sent,
        coded=not _at_the_box(request, services),
    )
    return frames.render_door(request, "people/set_up.html", view, status)


def _at_the_box(request: Request, services: Services) -> bool:
    peer = request.client.host if request.client else ""
    return services.door.at_the_box(peer, host_of(request), request.headers)


@router.post("/set-up", response_class=HTMLResponse, dependencies=[ANYONE])
async def set_up(request: Request, services: TheServices) -> Response:
    only_private(request, services)
    if await run_in_threadpool(people.owner_exists, services.registry):
        return RedirectResponse("/sign-in", 303)
    posted = await read_form(request, None, FIELDS_AT_MOST)
    await services.throttle.knock("set-up", address_of(request))
    sent = SetUpForm(
        name=posted.text("name", 100),
        login=posted.text("login", 100),
        code=posted.text("code", 100),
    )
    code = None if _at_the_box(request, services) else sent.code
    try:
        password = await _chosen(services, posted, people.tidy_login(sent.login))
        person = await run_in_threadpool(
            lambda: people.make_first_owner(
                services.registry,
                sent.login,
                sent.name,
                password,
                services.clock(),
                code=code,
                address=address_of(request),
            )
        )
    except PeopleRefused as refusal:
        return await run_in_threadpool(_set_up_form, request, services, sent, str(refusal), 422)
    return await run_in_threadpool(_let_in, request, services, person, False, "/", password)


async def _chosen(services: Services, posted: Posted, login: str) -> str:
    """The hash of a password that was typed twice. Raises PeopleRefused."""
    password = posted.secret("password")
    if password != posted.secret("again"):
        raise PeopleRefused("The two passwords differ: type the same one twice.")
    people.check_password(password, login)
    return await services.hashing.hash(password)


# --- by invitation -----------------------------------------------------------------------------


@router.get("/join/{secret}", response_class=HTMLResponse, dependencies=[ANYONE])
def join_page(request: Request, services: TheServices, secret: str) -> Response:
    return _join_form(request, services, secret)


def _join_form(
    request: Request, services: Services, secret: str, wrong: str = "", status: int = 200
) -> HTMLResponse:
    person = people.invited(services.registry, secret[:200], services.clock())
    if person is None:
        raise Problem(404, "This link was used already or has ended: ask the owner for a new one.")
    insecure = "" if services.door.private(host_of(request)) else WANTS_TLS
    view = JoinPage(wrong=wrong, insecure=insecure, secret=secret, person=person)
    return frames.render_door(request, "people/join.html", view, status)


@router.post("/join/{secret}", response_class=HTMLResponse, dependencies=[ANYONE])
async def join(request: Request, services: TheServices, secret: str) -> Response:
    only_private(request, services)
    posted = await read_form(request, None, FIELDS_AT_MOST)
    await services.throttle.knock(f"join {secret[:200]}", address_of(request))
    now = services.clock()
    found = await run_in_threadpool(people.invited, services.registry, secret[:200], now)
    try:
        password = await _chosen(services, posted, found.login if found else "")
        person = await run_in_threadpool(
            people.accept, services.registry, secret[:200], password, address_of(request), now
        )
    except PeopleRefused as refusal:
        return await run_in_threadpool(_join_form, request, services, secret, str(refusal), 422)
    phone = bool(posted.text("phone"))
    return await run_in_threadpool(_let_in, request, services, person, phone, "/", password)
