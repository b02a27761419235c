"""Tokens for programs (the owner makes them) and share links for customers (the office does)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.deps import (
    ANYONE,
    AtDesk,
    Desk,
    Looking,
    address_of,
    host_of,
    require,
)
from dashboard.door import WANTS_TLS
from dashboard.people import cookies
from dashboard.people.everybody import CUSTOMERS_AT_MOST, link
from dashboard.people.signing import only_private
from dashboard.people.words import RIGHT_WORDS, day, when
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.viewers import Viewer
from fleet import bounds
from fleet.registry import pages, people
from fleet.registry.people import ApiToken, PeopleRefused, Right, ShareLink

router = APIRouter(include_in_schema=False)
OWNER = [require("owner", right=None, person=True)]
OFFICE = [require("office", right=None, person=True)]
SHARE_DAYS = (("7", "a week"), ("30", "30 days"), ("90", "90 days"), ("365", "a year"))
TOKEN_DAYS = (("90", "90 days"), ("365", "a year"), ("", "until it is revoked"))
DAYS_MOST = 3_660
REVOKED_S = 90 * 86_400
"""How long one that ended is still listed."""


def _days(text: str) -> int | None:
    if not text:
        return None
    try:
        return bounds.whole(text, 1, DAYS_MOST)
    except ValueError as fault:
        raise Problem(422, f"Days: {fault}") from None


def _names(desk: Desk, viewer: Viewer) -> dict[str, str]:
    return {c.id: c.name for c in pages.customers(desk.registry, viewer.scope)}


def _listed(
    held: Iterable[ApiToken] | Iterable[ShareLink], names: dict[str, str], now: int
) -> list[dict[str, Any]]:
    """Tokens or links as rows; those that ended long ago are left out."""
    rows = []
    for one in held:
        ended = one.revoked_at or (one.until if one.until and one.until <= now else None)
        if ended and now - ended > REVOKED_S:
            continue
        sees = [names.get(c, c) for c in sorted(one.customers or ())]
        rows.append(
            {
                "id": one.id,
                "name": one.name,
                "by": one.made_by,
                "rights": ", ".join(RIGHT_WORDS[r] for r in sorted(one.rights))
                if isinstance(one, ApiToken)
                else "",
                "sees": "all customers" if one.customers is None else ", ".join(sees),
                "made": when(one.made_at, now),
                "used": when(one.used_at, now) if one.used_at else "never",
                "until": day(one.until, now) if one.until else "it is revoked",
                "state": "revoked" if one.revoked_at else "ended" if ended else "",
            }
        )
    return rows


# --- tokens ------------------------------------------------------------------------------------


@router.get("/people/tokens", response_class=HTMLResponse, dependencies=OWNER)
def tokens(request: Request, desk: AtDesk, viewer: Looking) -> HTMLResponse:
    return _tokens(request, desk, viewer)


def _tokens(
    request: Request,
    desk: Desk,
    viewer: Viewer,
    wrong: str = "",
    status: int = 200,
    made: dict[str, str] | None = None,
    sent: dict[str, Any] | None = None,
) -> HTMLResponse:
    names, now = _names(desk, viewer), desk.clock()
    return frames.page(
        request,
        viewer.scope,
        "people/tokens.html",
        "people",
        status=status,
        now=now,
        wrong=wrong,
        made=made,
        rows=_listed(people.tokens(desk.registry), names, now),
        days=TOKEN_DAYS,
        customers=sorted(names.items(), key=lambda item: item[1].casefold()),
        sent={"name": "", "rights": ["read"], "all": True, "customers": [], "days": "365"}
        | (sent or {}),
    )


@router.post("/people/tokens", response_class=HTMLResponse, dependencies=OWNER)
async def make_token(request: Request, desk: AtDesk, viewer: Looking) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_make_token, request, desk, viewer, posted)


def _make_token(request: Request, desk: Desk, viewer: Viewer, posted: Posted) -> Response:
    rights: frozenset[Right] = frozenset(r for r in RIGHT_WORDS if r in posted.every("right"))
    everything = posted.text("whose") != "some"
    sent: dict[str, Any] = {
        "name": posted.text("name"),
        "rights": sorted(rights),
        "all": everything,
        "customers": posted.every("customer"),
        "days": posted.text("days"),
    }
    try:
        token, secret = people.make_token(
            desk.registry,
            sent["name"],
            rights,
            None if everything else frozenset(sent["customers"]),
            _days(sent["days"]),
            viewer.actor,
            desk.clock(),
        )
    except PeopleRefused as refusal:
        return _tokens(request, desk, viewer, str(refusal), 422, sent=sent)
    return _tokens(request, desk, viewer, status=201, made={"name": token.name, "secret": secret})


@router.post("/people/tokens/{id}/revoke", response_class=HTMLResponse, dependencies=OWNER)
async def end_token(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    await read_form(request, viewer)
    await run_in_threadpool(people.revoke_token, desk.registry, id, viewer.actor, desk.clock())
    return RedirectResponse("/people/tokens", 303)


# --- share links -------------------------------------------------------------------------------


@router.get("/people/shares", response_class=HTMLResponse, dependencies=OFFICE)
def shares(request: Request, desk: AtDesk, viewer: Looking) -> HTMLResponse:
    return _shares(request, desk, viewer)


def _shares(
    request: Request,
    desk: Desk,
    viewer: Viewer,
    wrong: str = "",
    status: int = 200,
    made: dict[str, str] | None = None,
    sent: dict[str, Any] | None = None,
) -> HTMLResponse:
    names, now = _names(desk, viewer), desk.clock()
    return frames.page(
        request,
        viewer.scope,
        "people/shares.html",
        "people",
        status=status,
        now=now,
        wrong=wrong,
        made=made,
        rows=_listed(people.shares(desk.registry), names, now),
        days=SHARE_DAYS,
        customers=sorted(names.items(), key=lambda item: item[1].casefold()),
        sent={"name": "", "customers": [], "days": "30"} | (sent or {}),
    )


@router.post("/people/shares", response_class=HTMLResponse, dependencies=OFFICE)
async def make_share(request: Request, desk: AtDesk, viewer: Looking) -> Response:
    posted = await read_form(request, viewer, CUSTOMERS_AT_MOST)
    return await run_in_threadpool(_make_share, request, desk, viewer, posted)


def _make_share(request: Request, desk: Desk, viewer: Viewer, posted: Posted) -> Response:
    sent: dict[str, Any] = {
        "name": posted.text("name"),
        "customers": posted.every("customer"),
        "days": posted.text("days"),
    }
    try:
        share, secret = people.make_share(
            desk.registry,
            sent["name"],
            frozenset(sent["customers"]),
            _days(sent["days"]) or 0,
            viewer.actor,
            desk.clock(),
        )
    except PeopleRefused as refusal:
        return _shares(request, desk, viewer, str(refusal), 422, sent=sent)
    made = {"name": share.name, "link": link(request, f"/share/{secret}")}
    return _shares(request, desk, viewer, status=201, made=made)


@router.post("/people/shares/{id}/revoke", response_class=HTMLResponse, dependencies=OFFICE)
async def end_share(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    await read_form(request, viewer)
    await run_in_threadpool(people.revoke_share, desk.registry, id, viewer.actor, desk.clock())
    return RedirectResponse("/people/shares", 303)


@router.get("/share/{secret}", response_class=HTMLResponse, dependencies=[ANYONE])
def share_page(request: Request, desk: AtDesk, secret: str) -> HTMLResponse:
    """What the link shows, with a button: a preview by a mail program opens nothing."""
    share = people.share_of(desk.registry, secret[:200], desk.clock())
    if share is None:
        raise Problem(404, "This link was revoked or has ended: ask for a new one.")
    names = [c.name for c in pages.customers(desk.registry, share.scope)]
    insecure = "" if desk.door.private(host_of(request)) else WANTS_TLS
    return frames.door(
        request,
        "people/share.html",
        share=share,
        secret=secret,
        customers=names,
        until=day(share.until, desk.clock()),
        insecure=insecure,
    )


@router.post("/share/{secret}", dependencies=[ANYONE])
async def open_share(request: Request, desk: AtDesk, secret: str) -> Response:
    only_private(request, desk)
    now = desk.clock()
    share = await run_in_threadpool(
        people.open_share, desk.registry, secret[:200], address_of(request), now
    )
    if share is None:
        raise Problem(404, "This link was revoked or has ended: ask for a new one.")
    response = RedirectResponse("/", 303)
    cookies.give(request, response, secret, share.until - now, "share")
    return response
