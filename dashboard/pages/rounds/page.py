"""Rounds: who goes where this week; days and technicians, map and list, what was left out."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.deps import AtDesk, Desk, Looking, Reader, require
from dashboard.pages.rounds import left as left_rows
from dashboard.pages.rounds import words as tell
from dashboard.pages.rounds.map import Spot, round_map
from dashboard.problems import Problem
from dashboard.viewers import Viewer, only_technician
from fleet import words
from fleet.model import Scope, SiteCard
from fleet.registry import rounds as kept
from fleet.registry import technicians
from fleet.words import jobs as say
from fleet.words import planned
from scheduler import dispatch, publishing, rounds, work

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


@router.get("/rounds", response_class=HTMLResponse)
def page(
    request: Request,
    desk: AtDesk,
    viewer: Looking,
    scope: Reader,
    day: Annotated[str, Query(max_length=10)] = "",
    see: str = "",
    done: str = "",
) -> Response:
    whose = only_technician(desk.registry, viewer)
    if whose is not None:
        return _mine(request, desk, scope, whose)
    told, draft = kept.in_force(desk.registry), kept.draft(desk.registry)
    shown = told if (see == "told" and told) or draft is None else draft
    now = desk.clock()
    facts: dict[str, Any] = {
        "ask": kept.newest_ask(desk.registry),
        "done": DONE.get(done, ""),
        "draft": draft,
        "told": told,
        "shown": shown,
        "may": viewer.role in ("office", "owner"),
        "see": see,
        "people": technicians.technicians(desk.registry, active_only=True),
    }
    if shown is None:
        return frames.page(request, scope, "rounds/none.html", "rounds", now=now, **facts)
    sheet = tell.sheet_of(desk, scope, dispatch.decode(shown.doc))
    return frames.page(
        request,
        scope,
        "rounds/page.html",
        "rounds",
        now=now,
        **facts,
        **_facts(desk, scope, sheet, day, shown.published),
        made=words.moment(shown.made_at, sheet.plan.zone, now),
    )


def _facts(
    desk: Desk, scope: Scope, sheet: tell.Sheet, day: str, published: bool
) -> dict[str, Any]:
    plan = sheet.plan
    days = tell.days(sheet, None)
    chosen = day if day in [d["day"] for d in days] else (days[0]["day"] if days else "")
    out = publishing.outside(desk.registry, scope, plan, sheet.now)
    left = left_rows.left_out(desk.registry, scope, sheet, out.jobs)
    sets = left_rows.wanting(desk.registry, scope, out.sets, sheet)
    beside = waiting(desk, scope)
    spots = [Spot(r["lat"], r["lon"], "", r["title"]) for r in left if r["lat"] is not None]
    name = phrases.day_words(chosen, sheet.today) if chosen else ""
    offers, before = ([], []) if published else storm_words(desk, sheet)
    return {
        "days": days,
        "day": chosen,
        "day_name": name,
        "left": left[:LEFT_SHOWN],
        "left_more": max(0, len(left) - LEFT_SHOWN),
        "figures": tell.figures(plan),
        "wanting": sets[:LEFT_SHOWN],
        "wanting_more": max(0, len(sets) - LEFT_SHOWN),
        "wanting_said": planned.in_no_round(len(sets)),
        "cautions": words.CAUTIONS,
        "nothing_left": planned.ALL_THAT_CAN if beside else planned.ALL_HAVE_A_DAY,
        "changes": tell.changed(sheet, plan.changes) if not published else [],
        "kept": plan.changes.kept,
        "offers": offers,
        "before": before,
        "map": round_map(
            tell.ways(sheet, chosen, None),
            spots,
            f"Map of the rounds of {name}; the list beside it says the same.",
        ),
        "travel": say.travel_words(plan.travel_source),
        "zone": plan.zone,
        "questions": [(q.kind, q.site, q.km) for q in plan.questions],
        "load": [
            (phrases.day_words(w.monday, sheet.today), w.needed_h, w.shift_h) for w in plan.load
        ],
        "waiting": beside,
    }


def storm_words(desk: Desk, sheet: tell.Sheet) -> tuple[list[dict[str, Any]], list[str]]:
    """Promises to be made again, in the order of the calls; and work to do before a storm."""
    told = kept.in_force(desk.registry)
    draft = kept.draft(desk.registry)
    if told is None or draft is None:
        return [], []
    before = dispatch.decode(told.doc)
    _, asked, _ = publishing.changing(desk.registry, sheet.now)
    found = []
    for offer in rounds.re_offer(asked, before, sheet.plan):
        job = sheet.jobs.get(offer.job)
        place = sheet.places.get(job.where) if job else None
        if job is None or place is None:
            continue
        card = sheet.cards.get(job.where) or SiteCard(site=job.where)
        found.append(
            {
                "n": offer.n,
                "id": job.id,
                "title": job.title,
                "place": place[0].name,
                "was": f"{phrases.day_words(offer.day, sheet.today)}, {say.HALVES[offer.half]}",
                "is": f"{phrases.day_words(offer.new_day, sheet.today)}, {offer.new_half}"
                if offer.new_day
                else "none yet: say that you will call again",
                "phones": tell.phones(*place, card, [job])[:2],
            }
        )
    first: list[str] = []
    if draft.note.startswith("storm "):
        day = draft.note.split()[1]
        ids = rounds.before_storm(asked, sheet.plan, day)
        first = [sheet.jobs[id].title for id in ids if id in sheet.jobs][:12]
    return found, first


def waiting(desk: Desk, scope: Scope) -> list[tuple[str, int]]:
    """Open jobs the planner leaves where they are."""
    open_ = kept.book(desk.registry, scope).jobs
    return [
        (say.STATES[state], n)
        for state in ("waiting_yes", "under_way")
        if (n := sum(job.state == state for job in open_))
    ]


def _mine(request: Request, desk: Desk, scope: Scope, whose: str) -> Response:
    """A technician's own days; today first."""
    told = kept.in_force(desk.registry)
    if not whose or told is None:
        return frames.page(
            request, scope, "rounds/mine.html", "rounds", days=[], known=bool(whose), name=""
        )
    sheet = tell.sheet_of(desk, scope, dispatch.decode(told.doc))
    days = tell.days(sheet, whose)
    if days and days[0]["day"] == sheet.today.isoformat():
        return RedirectResponse(days[0]["rounds"][0]["href"], 303)
    name = sheet.technicians[whose].name if whose in sheet.technicians else ""
    return frames.page(
        request, scope, "rounds/mine.html", "rounds", days=days, known=True, name=name
    )


@router.get("/rounds/day/{id}/{day}", response_class=HTMLResponse)
def day_page(
    request: Request, desk: AtDesk, viewer: Looking, scope: Reader, id: str, day: str
) -> HTMLResponse:
    sheet, one, parts = day_sheet(desk, viewer, scope, id, day)
    line = tell.round_line(sheet, one)
    who = sheet.technicians[id]
    others = [d for d in tell.days(sheet, id) if d["day"] != day][:6]
    return frames.page(
        request,
        scope,
        "rounds/day.html",
        "rounds",
        round=line,
        name=who.name,
        day=day,
        id=id,
        day_name=phrases.day_words(day, sheet.today),
        parts=parts,
        others=others,
        order=work.to_order(parts, who.stock),
        stock=who.stock,
        cautions=words.CAUTIONS,
        first=say.ON_ROUND,
        may=viewer.role in ("office", "owner"),
        map=round_map(tell.ways(sheet, day, id), (), "Map of the round; the list says the same."),
    )


def day_sheet(
    desk: Desk, viewer: Viewer, scope: Scope, id: str, day: str
) -> tuple[tell.Sheet, rounds.Round, dict[str, float]]:
    """A technician's day in the plan in force with the parts to load. Raises Problem 404."""
    whose = only_technician(desk.registry, viewer)
    told = kept.in_force(desk.registry)
    if told is None or (whose is not None and whose != id):
        raise Problem(404, "There is no such round here.")
    sheet = tell.sheet_of(desk, scope, dispatch.decode(told.doc))
    one = dispatch.round_of(sheet.plan, id, day)
    if one is None or id not in sheet.technicians:
        raise Problem(404, "There is no such round here.")
    return sheet, one, dispatch.parts_for(one, sheet.jobs)
