"""The site card: whom to call, how to get in, and the codes on tap to the technician of the day."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentScope, CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer, only_technician
from dashboard.views import agreements
from dashboard.views.rounds import phones
from fleet import bounds, words
from fleet.calendar import local_date
from fleet.model import Contract, Customer, Scope, Site, SiteCard, SiteContact
from fleet.registry.office import kept_jobs, kept_rounds, sitecard
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.sitecard import CardRefused
from fleet.registry.office.technicians_hours import HoursFault, read_hours, say_hours
from scheduler import dispatch

VISITS_AT_MOST = 366
"""Visits a year that may be agreed. A bound of ours."""

router = APIRouter(include_in_schema=False)
LOOK = require("reader", whole=True)
OFFICE = require("office", right=None, person=True)
TECHNICIAN = require("technician", right=None, person=True)
DONE = {"saved": "Kept.", "contract": "The agreement is kept."}
NOT_TODAY = (
    "Key and codes are shown to the technician who is at this site today, and to the office. "
    "Ask the office, or have the visit put into today's round."
)


class CardFault(ValueError):
    """A field of the card that cannot be used. A sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteCardScreen:
    """The card of a site: whom to call, how to get in, the agreement.

    phones: (who, number, number to dial) in the order of calling, notes: number to its note. hours,
    tests: when one is let in, in words. codes None: not shown; may_look: whether this one may see
    them. sent: what stands in the form's fields; geo: where it is, for a map.
    """

    site: Site
    customer: Customer
    card: SiteCard
    wrong: str
    done: str
    codes: str | None
    cautions: tuple[str, ...]
    phones: tuple[tuple[str, str, str], ...]
    hours: str
    tests: str
    notes: dict[str, str]
    may_look: bool
    office: bool
    sent: dict[str, str]
    contract: Contract
    agreements: list[str]
    geo: str


@router.get("/sites/{id}", response_class=HTMLResponse, dependencies=[LOOK])
def page(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    id: str,
    done: str = "",
) -> HTMLResponse:
    return _page(request, services, viewer, scope, id, done=DONE.get(done, ""))


def _find(services: Services, scope: Scope, id: str) -> tuple[Site, Customer, SiteCard]:
    place = kept_rounds.places(services.registry, scope, [id]).get(id)
    card = sitecard.card(services.registry, scope, id)
    if place is None or card is None:
        raise Problem(404, "There is no such site here.")
    return *place, card


def _page(
    request: Request,
    services: Services,
    viewer: Viewer,
    scope: Scope,
    id: str,
    wrong: str = "",
    status: int = 200,
    done: str = "",
    codes: str | None = None,
    sent: dict[str, str] | None = None,
) -> HTMLResponse:
    site, customer, card = _find(services, scope, id)
    contract = kept_jobs.contracts(services.registry, scope).get(customer.id)
    office = viewer.role in ("office", "owner")
    view = SiteCardScreen(
        site=site,
        customer=customer,
        card=card,
        wrong=wrong,
        done=done,
        codes=codes,
        cautions=words.CAUTIONS,
        phones=phones(site, customer, card, []),
        hours=say_hours(card.hours),
        tests=say_hours(card.test_hours),
        notes={c.phone: c.note for c in card.contacts},
        may_look=may_look(services, viewer, id),
        office=office,
        sent=_fields(card) | (sent or {}),
        contract=contract or Contract(customer=customer.id),
        agreements=agreements.of_customer(services, scope, customer.id, services.clock())
        if office
        else [],
        geo=f"geo:{site.lat:.6f},{site.lon:.6f}"
        if site.lat is not None and site.lon is not None
        else "",
    )
    answer = frames.render(request, scope, "sitecard.html", "units", view, status)
    if codes is not None:
        answer.headers["cache-control"] = "no-store"
    return answer


def _fields(card: SiteCard) -> dict[str, str]:
    return {
        "contacts": "\n".join(f"{c.name}; {c.phone}; {c.note}".rstrip("; ") for c in card.contacts),
        "directions": card.directions,
        "parking": card.parking,
        "dogs": card.dogs,
        "mains": card.mains,
        "hours": say_hours(card.hours),
        "test_hours": say_hours(card.test_hours),
        "access_min": f"{card.access_min}",
        "extra_min": f"{card.extra_min}",
        "toll": f"{card.toll:g}",
        "over_water": "yes" if card.over_water else "",
        "codes": "",
    }


def may_look(services: Services, viewer: Viewer, site: str) -> bool:
    """Whether this viewer may see key and codes now: the office, or whose round of today goes there."""
    if viewer.kind != "person" or viewer.role == "reader":
        return False
    if viewer.role in ("office", "owner"):
        return True
    whose = only_technician(services.registry, viewer)
    told = kept_rounds.in_force(services.registry, viewer.scope)
    if not whose or told is None:
        return False
    plan = dispatch.decode(told.doc)
    today = local_date(services.clock(), plan.zone).isoformat()
    one = plan.round_of(whose, today)
    return one is not None and any(stop.site == site for stop in one.stops)


@router.post("/sites/{id}/codes", response_class=HTMLResponse, dependencies=[TECHNICIAN])
async def codes(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    """Key and codes, shown once; the look is logged before they are opened."""
    await read_form(request, viewer)
    return await run_in_threadpool(_codes, request, services, viewer, id)


def _codes(request: Request, services: Services, viewer: Viewer, id: str) -> Response:
    _find(services, viewer.scope, id)
    if not may_look(services, viewer, id):
        raise Problem(403, NOT_TODAY)
    why = "the office" if viewer.role in ("office", "owner") else "round of today"
    try:
        key = sitecard.key_of(services.settings)
        found = sitecard.look_at_codes(
            services.registry, viewer.scope, id, key, services.clock(), viewer.actor, why
        )
    except CardRefused as refusal:
        raise Problem(409, str(refusal)) from None
    return _page(request, services, viewer, viewer.scope, id, codes=found)


@router.post("/sites/{id}", response_class=HTMLResponse, dependencies=[OFFICE])
async def save(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_save, request, services, viewer, id, posted)


def _save(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    _find(services, viewer.scope, id)
    try:
        card = read_card(id, posted)
        written = posted.text("codes", 1000)
        codes = "" if posted.text("no_codes") else written or None
        sitecard.save_card(
            services.registry,
            viewer.scope,
            card,
            codes,
            sitecard.key_of(services.settings),
            services.clock(),
            viewer.actor,
        )
    except (CardFault, CardRefused, HoursFault) as fault:
        sent = posted.flat() | {"codes": ""}
        return _page(request, services, viewer, viewer.scope, id, str(fault), 422, sent=sent)
    return RedirectResponse(f"/sites/{id}?done=saved", 303)


def read_card(site: str, posted: Posted) -> SiteCard:
    """The card a sent form describes. Raises CardFault, HoursFault."""
    contacts = []
    for line in posted.text("contacts", 2000).splitlines():
        parts = [part.strip() for part in line.split(";")]
        if not any(parts):
            continue
        if len(parts) < 2:
            raise CardFault("Contacts: write one a line, such as Jo Hill; 01632 960001; mornings.")
        contacts.append(SiteContact(parts[0][:100], parts[1][:40], "; ".join(parts[2:])[:200]))
    return SiteCard(
        site=site,
        contacts=tuple(contacts),
        directions=posted.text("directions", 1000),
        parking=posted.text("parking", 300),
        dogs=posted.text("dogs", 300),
        mains=posted.text("mains", 300),
        hours=read_hours(posted.text("hours", 500)),
        test_hours=read_hours(posted.text("test_hours", 500)),
        access_min=_whole(posted, "access_min", "Minutes at the gate", 240),
        extra_min=_whole(posted, "extra_min", "Extra minutes", 480),
        toll=_money(posted),
        over_water=bool(posted.text("over_water")),
    )


def _whole(posted: Posted, name: str, label: str, most: int) -> int:
    try:
        return bounds.whole(posted.text(name) or "0", 0, most)
    except ValueError as fault:
        raise CardFault(f"{label}: {fault}") from None


def _money(posted: Posted) -> float:
    try:
        return bounds.number(posted.text("toll") or "0", 0, 10_000)
    except ValueError:
        raise CardFault("Toll: write an amount from 0 to 10000, such as 12.50.") from None


@router.post("/sites/{id}/contract", response_class=HTMLResponse, dependencies=[OFFICE])
async def contract(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_contract, request, services, viewer, id, posted)


def _contract(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    _, customer, _ = _find(services, viewer.scope, id)
    try:
        made = read_contract(customer.id, posted)
        kept_jobs.save_contract(services.registry, made, services.clock(), viewer.actor)
    except (CardFault, JobRefused) as fault:
        return _page(request, services, viewer, viewer.scope, id, str(fault), 422)
    return RedirectResponse(f"/sites/{id}?done=contract", 303)


def read_contract(customer: str, posted: Posted) -> Contract:
    """The agreement a sent form describes. Raises CardFault."""
    warranty: dict[str, str] = {}
    for piece in posted.text("warranty", 2000).replace(",", "\n").splitlines():
        unit, _, until = piece.strip().partition(" until ")
        if unit:
            warranty[unit.strip()[:64]] = _date(until.strip(), "Warranty")
    visits, hours = posted.text("visits_a_year"), posted.text("response_h")
    try:
        visits_a_year = bounds.whole(visits, 0, VISITS_AT_MOST) if visits else None
        response_h = bounds.number(hours, 0, 8_760) if hours else None
    except ValueError as fault:
        raise CardFault(f"Visits a year and hours to be there: {fault}") from None
    return Contract(
        customer=customer,
        renewal=_date(posted.text("renewal", 10), "Renewal"),
        on_stop=bool(posted.text("on_stop")),
        warranty=warranty,
        visits_a_year=visits_a_year,
        response_h=response_h,
    )


def _date(text: str, label: str) -> str:
    if not text:
        return ""
    try:
        return bounds.day(text).isoformat()
    except ValueError:
        raise CardFault(f"{label}: write the day as YYYY-MM-DD.") from None
