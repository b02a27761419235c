"""Tokens for programs (the owner makes them) and share links for customers (the office does)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.door import WANTS_TLS
from dashboard.people import cookies
from dashboard.people.labels import RIGHT_WORDS, day, when
from dashboard.people.members import CUSTOMERS_AT_MOST, Customers, Made, by_name, link
from dashboard.people.signing import only_private
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import (
    ANYONE,
    CurrentViewer,
    Services,
    TheServices,
    address_of,
    host_of,
    require,
)
from dashboard.viewers import Viewer
from fleet import bounds
from fleet.registry import lists, people
from fleet.registry.people import ApiToken, PeopleRefused, Right, ShareLink

router = APIRouter(include_in_schema=False)
OWNER = [require("owner", right=None, person=True)]
OFFICE = [require("office", right=None, person=True)]
SHARE_DAYS = (("7", "a week"), ("30", "30 days"), ("90", "90 days"), ("365", "a year"))
TOKEN_DAYS = (("90", "90 days"), ("365", "a year"), ("", "until it is revoked"))
DAYS_MOST = 3_660
"""Days a link may hold. A bound of ours."""
REVOKED_S = 90 * 86_400
"""How long one that ended is still listed. A page's length."""
Days = tuple[tuple[str, str], ...]
"""(days, words) one may hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IssuedLine:
    """A token or a link that was made. rights: of a token, in words; state: revoked, ended or ''."""

    id: str
    name: str
    by: str
    rights: str
    sees: str
    made: str
    used: str
    until: str
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TokenForm:
    """What the form of a token holds, as typed. all: for every customer; customers: ids."""

    name: str = ""
    rights: tuple[str, ...] = ("read",)
    all: bool = True
    customers: tuple[str, ...] = ()
    days: str = "365"


@dataclass(frozen=True, slots=True, kw_only=True)
class TokensPage:
    """Tokens of programs, and the form for one more."""

    wrong: str
    made: Made | None
    rows: tuple[IssuedLine, ...]
    days: Days
    customers: Customers
    sent: TokenForm


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareForm:
    """What the form of a share link holds, as typed. customers: ids."""

    name: str = ""
    customers: tuple[str, ...] = ()
    days: str = "30"


@dataclass(frozen=True, slots=True, kw_only=True)
class SharesPage:
    """Share links, and the form for one more."""

    wrong: str
    made: Made | None
    rows: tuple[IssuedLine, ...]
    days: Days
    customers: Customers
    sent: ShareForm


@dataclass(frozen=True, slots=True, kw_only=True)
class SharePage:
    """What a link shows, before it is opened. customers: names; until: the day it ends; insecure:
    why it cannot be opened here, '' where it can."""

    secret: str
    customers: tuple[str, ...]
    until: str
    insecure: str


def _days(text: str) -> int | None:
    if not text:
        return None
    try:
        return bounds.whole(text, 1, DAYS_MOST)
    except ValueError as fault:
        raise Problem(422, f"Days: {fault}") from None


def _names(services: Services, viewer: Viewer) -> dict[str, str]:
    return {c.id: c.name for c in lists.customers(services.registry, viewer.scope)}


def _listed(
    held: Iterable[ApiToken] | Iterable[ShareLink], names: dict[str, str], now: int
) -> tuple[IssuedLine, ...]:
    """Tokens or links as rows; those that ended long ago are left out."""
    rows = []
    for one in held:
        ended = one.revoked_at or (one.until if one.until and one.until <= now else None)
        if ended and now - ended > REVOKED_S:
            continue
        sees = [names.get(c, c) for c in sorted(one.customers or ())]
        rights = one.rights if isinstance(one, ApiToken) else frozenset()
        rows.append(
            IssuedLine(
                id=one.id,
                name=one.name,
                by=one.made_by,
                rights=", ".join(RIGHT_WORDS[r] for r in sorted(rights)),
                sees="all customers" if one.customers is None else ", ".join(sees),
                made=when(one.made_at, now),
                used=when(one.used_at, now) if one.used_at else "never",
                until=day(one.until, now) if one.until else "it is revoked",
                state="revoked" if one.revoked_at else "ended" if ended else "",
            )
        )
    return tuple(rows)


# --- tokens ------------------------------------------------------------------------------------


@router.get("/people/tokens", response_class=HTMLResponse, dependencies=OWNER)
def tokens(request: Request, services: TheServices, viewer: CurrentViewer) -> HTMLResponse:
    return _tokens(request, services, viewer)


def _tokens(
    request: Request,
    services: Services,
    viewer: Viewer,
    wrong: str = "",
    status: int = 200,
    made: Made | None = None,
    sent: TokenForm | None = None,
) -> HTMLResponse:
    names, now = _names(services, viewer), services.clock()
    view = TokensPage(
        wrong=wrong,
        made=made,
        rows=_listed(people.tokens(services.registry, viewer.scope), names, now),
        days=TOKEN_DAYS,
        customers=by_name(names),
        sent=sent or TokenForm(),
    )
    return frames.render(request, viewer.scope, "people/tokens.html", "people", view, status)


@router.post("/people/tokens", response_class=HTMLResponse, dependencies=OWNER)
async def make_token(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_make_token, request, services, viewer, posted)


def _make_token(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    rights: frozenset[Right] = frozenset(r for r in RIGHT_WORDS if r in posted.every("right"))
    everything = posted.text("whose") != "some"
    sent = TokenForm(
        name=posted.text("name"),
        rights=tuple(sorted(rights)),
        all=everything,
        customers=tuple(posted.every("customer")),
        days=posted.text("days"),
    )
    try:
        token, secret = people.make_token(
            services.registry,
            sent.name,
            rights,
            None if everything else frozenset(sent.customers),
            _days(sent.days),
            viewer.actor,
            services.clock(),
        )
    except PeopleRefused as refusal:
        return _tokens(request, services, viewer, str(refusal), 422, sent=sent)
    made = Made(name=token.name, secret=secret)
    return _tokens(request, services, viewer, status=201, made=made)


@router.post("/people/tokens/{id}/revoke", response_class=HTMLResponse, dependencies=OWNER)
async def end_token(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    await read_form(request, viewer)
    await run_in_threadpool(
        people.revoke_token, services.registry, id, viewer.actor, services.clock()
    )
    return RedirectResponse("/people/tokens", 303)


# --- share links -------------------------------------------------------------------------------


@router.get("/people/shares", response_class=HTMLResponse, dependencies=OFFICE)
def shares(request: Request, services: TheServices, viewer: CurrentViewer) -> HTMLResponse:
    return _shares(request, services, viewer)


def _shares(
    request: Request,
    services: Services,
    viewer: Viewer,
    wrong: str = "",
    status: int = 200,
    made: Made | None = None,
    sent: ShareForm | None = None,
) -> HTMLResponse:
    names, now = _names(services, viewer), services.clock()
    view = SharesPage(
        wrong=wrong,
        made=made,
        rows=_listed(people.shares(services.registry, viewer.scope), names, now),
        days=SHARE_DAYS,
        customers=by_name(names),
        sent=sent or ShareForm(),
    )
    return frames.render(request, viewer.scope, "people/shares.html", "people", view, status)


@router.post("/people/shares", response_class=HTMLResponse, dependencies=OFFICE)
async def make_share(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_make_share, request, services, viewer, posted)


def _make_share(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    sent = ShareForm(
        name=posted.text("name"),
        customers=tuple(posted.every("customer")),
        days=posted.text("days"),
    )
    try:
        share, secret = people.make_share(
            services.registry,
            sent.name,
            frozenset(sent.customers),
            _days(sent.days) or 0,
            viewer.actor,
            services.clock(),
        )
    except PeopleRefused as refusal:
        return _shares(request, services, viewer, str(refusal), 422, sent=sent)
    made = Made(name=share.name, link=link(request, f"/share/{secret}"))
    return _shares(request, services, viewer, status=201, made=made)


@router.post("/people/shares/{id}/revoke", response_class=HTMLResponse, dependencies=OFFICE)
async def end_share(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    await read_form(request, viewer)
    await run_in_threadpool(
        people.revoke_share, services.registry, id, viewer.actor, services.clock()
    )
    return RedirectResponse("/people/shares", 303)


@router.get("/share/{secret}", response_class=HTMLResponse, dependencies=[ANYONE])
def share_page(request: Request, services: TheServices, secret: str) -> HTMLResponse:
    """What the link shows, with a button: a preview by a mail program opens nothing."""
    share = people.share_of(services.registry, secret[:200], services.clock())
    if share is None:
        raise Problem(404, "This link was revoked or has ended: ask for a new one.")
    view = SharePage(
        secret=secret,
        customers=tuple(c.name for c in lists.customers(services.registry, share.scope)),
        until=day(share.until, services.clock()),
        insecure="" if services.door.private(host_of(request)) else WANTS_TLS,
    )
    return frames.render_door(request, "people/share.html", view)


@router.post("/share/{secret}", dependencies=[ANYONE])
async def open_share(request: Request, services: TheServices, secret: str) -> Response:
    only_private(request, services)
    now = services.clock()
    share = await run_in_threadpool(
        people.open_share, services.registry, secret[:200], address_of(request), now
    )
    if share is None:
        raise Problem(404, "This link was revoked or has ended: ask for a new one.")
    response = RedirectResponse("/", 303)
    cookies.give(request, response, secret, share.until - now, "share")
    return response
