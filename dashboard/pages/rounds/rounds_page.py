"""Rounds: who goes where this week; days and technicians, map and list, what was left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from markupsafe import Markup
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.problems import Problem
from dashboard.request_context import CurrentScope, CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer, may_see_rounds, only_technician
from dashboard.views import rounds as lines
from dashboard.views.round_map import Spot, round_map
from dashboard.views.rounds import ChangeLine, DayLine, Phone, RoundLine, sheet_of
from dashboard.views.unplanned import LeftOut, WantingSet, left_out, wanting
from fleet import words
from fleet.model import Scope, SiteCard
from fleet.model.book import Sheet
from fleet.registry.office import board, kept_rounds, technicians
from fleet.words import job_sentences, plan_sentences
from scheduler import dispatch, publishing, rounds, work_orders

router = APIRouter(include_in_schema=False, dependencies=[require("reader", whole=True)])
DONE = {
    "asked": "Asked for. The plan stands here in about half a minute; look again then.",
    "published": "Published. Calendars and lists show it now.",
    "discarded": "The draft is thrown away.",
    "moved": "Moved, and pinned so that the next plan keeps it there.",
    "removed": "Taken out of the draft. The next plan may place it again.",
    "told": "Written down: the customers know.",
    "inserted": "Put in and published.",
}
LEFT_SHOWN = 60
"""Jobs left out that are listed. A page's length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """How the planning stands. ask: the newest one; draft: its number; shown: the plan on the page;
    see: which was asked for; may: whether this viewer changes rounds; people: whether anybody drives."""

    ask: kept_rounds.KeptAsk | None
    done: str
    draft: bool
    published: bool
    shown: kept_rounds.KeptPlan | None
    may: bool
    see: str
    people: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ReOffer:
    """A promise that a storm breaks, to be made again. n: its place in the order of the calls."""

    n: int
    id: str
    title: str
    place: str
    was: str
    becomes: str
    phones: tuple[Phone, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoRoundsPage:
    """Rounds before there is a plan."""

    stand: Stand


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundsPage:
    """A plan: its days, what changes against the plan in force, what has no day and why.

    made: when it was made; day: the one on the map (ISO); kept: jobs that stay; before: work to do
    before a storm; questions: (kind, site, km) of places that cannot be right; load: (week, hours
    needed, hours of shifts); waiting: (state, jobs) the planner leaves where they are.
    """

    stand: Stand
    made: str
    days: tuple[DayLine, ...]
    day: str
    day_name: str
    left: tuple[LeftOut, ...]
    left_more: int
    figures: tuple[tuple[str, str], ...]
    wanting: tuple[WantingSet, ...]
    wanting_more: int
    wanting_said: str
    cautions: tuple[str, ...]
    nothing_left: str
    changes: tuple[ChangeLine, ...]
    kept: int
    offers: tuple[ReOffer, ...]
    before: tuple[str, ...]
    map: Markup
    travel: str
    zone: str
    questions: tuple[tuple[str, str, float | None], ...]
    load: tuple[tuple[str, float, float], ...]
    waiting: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MyRoundsPage:
    """A technician's own days. known: whether the sign-in belongs to a technician."""

    days: tuple[DayLine, ...]
    known: bool
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPage:
    """One technician's day. id: of the technician; parts: name to amount to load; order: of these
    what the van has not; first: cautions of a round; others: further days of the same technician."""

    round: RoundLine
    name: str
    day: str
    id: str
    day_name: str
    parts: dict[str, float]
    others: tuple[DayLine, ...]
    order: dict[str, float]
    cautions: tuple[str, ...]
    first: tuple[str, ...]
    map: Markup


@router.get("/rounds", response_class=HTMLResponse)
def page(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    day: Annotated[str, Query(max_length=10)] = "",
    see: str = "",
    done: str = "",
) -> Response:
    whose = only_technician(services.registry, viewer)
    if whose is not None:
        return _mine(request, services, scope, whose)
    published, draft = (
        kept_rounds.in_force(services.registry, scope),
        kept_rounds.draft(services.registry, scope),
    )
    shown = published if (see == "told" and published) or draft is None else draft
    stand = Stand(
        ask=kept_rounds.newest_ask(services.registry),
        done=DONE.get(done, ""),
        draft=draft is not None,
        published=published is not None,
        shown=shown,
        may=viewer.role in ("office", "owner"),
        see=see,
        people=bool(technicians.technicians(services.registry, active_only=True)),
    )
    if shown is None:
        return frames.render(
            request, scope, "rounds/none.html", "rounds", NoRoundsPage(stand=stand)
        )
    view = _rounds_page(services, scope, stand, shown, day)
    return frames.render(request, scope, "rounds/page.html", "rounds", view)


def _rounds_page(
    services: Services, scope: Scope, stand: Stand, shown: kept_rounds.KeptPlan, day: str
) -> RoundsPage:
    sheet = sheet_of(services, scope, dispatch.decode(shown.doc))
    plan = sheet.plan
    days = lines.days(sheet, None)
    chosen = day if day in [d.day for d in days] else (days[0].day if days else "")
    out = publishing.outside(services.registry, scope, plan, sheet.now)
    left = left_out(services.registry, scope, sheet, out.jobs)
    sets = wanting(services.registry, scope, out.sets, sheet)
    beside = waiting(services, scope)
    spots = [
        Spot(r.lat, r.lon, "", r.title) for r in left if r.lat is not None and r.lon is not None
    ]
    name = phrases.day_words(chosen, sheet.today) if chosen else ""
    offers, before = ((), ()) if shown.published else storm_words(services, scope, sheet)
    return RoundsPage(
        stand=stand,
        made=words.moment(shown.made_at, plan.zone, sheet.now),
        days=days,
        day=chosen,
        day_name=name,
        left=left[:LEFT_SHOWN],
        left_more=max(0, len(left) - LEFT_SHOWN),
        figures=lines.figures(plan),
        wanting=sets[:LEFT_SHOWN],
        wanting_more=max(0, len(sets) - LEFT_SHOWN),
        wanting_said=plan_sentences.in_no_round(len(sets)),
        cautions=words.CAUTIONS,
        nothing_left=plan_sentences.ALL_THAT_CAN if beside else plan_sentences.ALL_HAVE_A_DAY,
        changes=lines.changed(sheet, plan.changes) if not shown.published else (),
        kept=plan.changes.kept,
        offers=offers,
        before=before,
        map=round_map(
            lines.routes(sheet, chosen, None),
            spots,
            f"Map of the rounds of {name}; the list beside it says the same.",
        ),
        travel=job_sentences.travel_words(plan.travel_source),
        zone=plan.zone,
        questions=tuple((q.kind, q.site, q.km) for q in plan.questions),
        load=tuple(
            (phrases.day_words(w.monday, sheet.today), w.needed_h, w.shift_h) for w in plan.load
        ),
        waiting=beside,
    )


def storm_words(
    services: Services, scope: Scope, sheet: Sheet
) -> tuple[tuple[ReOffer, ...], tuple[str, ...]]:
    """Promises to be made again, in the order of the calls; and work to do before a storm."""
    published = kept_rounds.in_force(services.registry, scope)
    draft = kept_rounds.draft(services.registry, scope)
    if published is None or draft is None:
        return (), ()
    before = dispatch.decode(published.doc)
    _, asked, _ = publishing.changing(services.registry, sheet.now)
    found = []
    for offer in rounds.re_offer(asked, before, sheet.plan):
        job = sheet.jobs.get(offer.job)
        place = sheet.places.get(job.where) if job else None
        if job is None or place is None:
            continue
        card = sheet.cards.get(job.where) or SiteCard(site=job.where)
        found.append(
            ReOffer(
                n=offer.n,
                id=job.id,
                title=job.title,
                place=place[0].name,
                was=f"{phrases.day_words(offer.day, sheet.today)}, {job_sentences.HALVES[offer.half]}",
                becomes=f"{phrases.day_words(offer.new_day, sheet.today)}, {offer.new_half}"
                if offer.new_day
                else "none yet: say that you will call again",
                phones=lines.phones(*place, card, [job])[:2],
            )
        )
    first: tuple[str, ...] = ()
    if draft.note.startswith("storm "):
        day = draft.note.split()[1]
        ids = rounds.before_storm(asked, sheet.plan, day)
        first = tuple(sheet.jobs[id].title for id in ids if id in sheet.jobs)[:12]
    return tuple(found), first


def waiting(services: Services, scope: Scope) -> tuple[tuple[str, int], ...]:
    """Open jobs the planner leaves where they are."""
    open_ = kept_rounds.book(services.registry, scope).jobs
    return tuple(
        (job_sentences.STATES[state], n)
        for state in ("waiting_yes", "under_way")
        if (n := sum(job.state == state for job in open_))
    )


def _mine(request: Request, services: Services, scope: Scope, whose: str) -> Response:
    """A technician's own days; today first."""
    sheet = board.sheet_in_force(services.registry, scope, services.clock()) if whose else None
    if sheet is None:
        nothing = MyRoundsPage(days=(), known=bool(whose), name="")
        return frames.render(request, scope, "rounds/mine.html", "rounds", nothing)
    days = lines.days(sheet, whose)
    if days and days[0].day == sheet.today.isoformat():
        return RedirectResponse(days[0].rounds[0].href, 303)
    name = sheet.technicians[whose].name if whose in sheet.technicians else ""
    view = MyRoundsPage(days=days, known=True, name=name)
    return frames.render(request, scope, "rounds/mine.html", "rounds", view)


@router.get("/rounds/day/{id}/{day}", response_class=HTMLResponse)
def day_page(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    id: str,
    day: str,
) -> HTMLResponse:
    there = day_sheet(services, viewer, scope, id, day)
    sheet, who = there.sheet, there.sheet.technicians[id]
    parts = sheet.parts(there.round)
    view = DayPage(
        round=lines.round_line(sheet, there.round),
        name=who.name,
        day=day,
        id=id,
        day_name=phrases.day_words(day, sheet.today),
        parts=parts,
        others=tuple(d for d in lines.days(sheet, id) if d.day != day)[:6],
        order=work_orders.to_order(parts, who.stock),
        cautions=words.CAUTIONS,
        first=tuple(job_sentences.ON_ROUND),
        map=round_map(
            lines.routes(sheet, day, id), (), "Map of the round; the list says the same."
        ),
    )
    return frames.render(request, scope, "rounds/day.html", "rounds", view)


def day_sheet(
    services: Services, viewer: Viewer, scope: Scope, id: str, day: str
) -> board.DayRound:
    """A technician's day in the plan in force. Raises Problem 404."""
    found = board.day_sheet(services.registry, scope, id, day, services.clock())
    if found is None or not may_see_rounds(viewer, found.sheet.technicians[id]):
        raise Problem(404, "There is no such round here.")
    return found
