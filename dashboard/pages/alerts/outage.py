"""Outages and their call list: the one page for the holder of the duty phone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, cast, get_args
from uuid import UUID, uuid4

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.pages.alerts.outage_texts import CustomerText, Writing, text_of, writing
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import (
    LIVE,
    CurrentScope,
    CurrentViewer,
    Services,
    TheServices,
    require,
)
from dashboard.viewers import Viewer
from dashboard.views.alerts import state_words
from dashboard.views.audience import sentence_for
from dashboard.views.findings import OutageUnitView, OutageView, outage_view
from dashboard.views.named import SetName, set_name, staff_name
from fleet import bounds, words
from fleet.findings import mains
from fleet.model import Call, CallOutcome, Cover, Outage, Scope, Severity, UnitSummary
from fleet.registry import lists
from fleet.registry.told import alerts, kept_outages
from fleet.words import alert_sentences, outage_sentences
from scheduler import alarms
from scheduler.outage import finding, tally
from scheduler.outage.cover import OPEN

router = APIRouter(include_in_schema=False)
STAFF = require("technician", right=None, person=True)
A_PAGE = 40
FROM_MOST = 100_000
OUTAGES = 30
"""Sites of a page, the farthest it goes, and outages listed. A page's length."""
CRITICAL = {"life": "Life depends on it", "business": "Business", "home": ""}
SHAPES: dict[Cover, Severity] = {
    "failed": "act_now",
    "not_running": "act_now",
    "bad_output": "act_now",
    "no_voltage": "act_now",
    "unproven": "no_word",
    "waiting": "no_word",
    "low_fuel": "same_day",
}
"""The shape beside a site that fares so; covered ones have none."""
CALLED: tuple[CallOutcome, ...] = ("has_power", "no_power", "no_answer", "left_message", "van_sent")
DONE = {
    "have": "You have it.",
    "call": "Written down.",
    "written": "The e-mail is on its way; whether it arrived stands with its text in a few seconds.",
    "before": "They were written already, as things stand now.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OutageHead:
    """What every page says of an outage at its top. since: when the mains went; over: when it came
    back, '' while it is away; open: whether it can still be answered."""

    id: str
    place: str
    severity: Severity
    said: words.Sentence
    since: str
    over: str
    state: str
    open: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OutagesPage:
    """The list of outages. following: the id after which the next page begins, '' on the last."""

    rows: tuple[OutageHead, ...]
    first: bool
    following: str
    staff: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CallRow:
    """One site of the call list, as the interface tells it and in words. n: its place in the list;
    cover: how it fares, shape beside it None where it needs none; ask: what to ask; minutes: how long it had cover; calls: what came of those made;
    open: whether a call is wanted; key: the id the next call to it gets; text: to its customer."""

    n: int
    member: OutageUnitView
    set: SetName
    cover: str
    shape: Severity | None
    critical: str
    ask: str
    phone: str
    contact: str
    since: str
    heard: str
    minutes: str
    calls: tuple[str, ...]
    open: bool
    key: str
    text: CustomerText | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutagePage:
    """One outage, as the interface tells it, with its call list. counts: (how they fare, sets, shape); whole: calls about all of
    it; start, before, following: where this page of the list, the one before and the next begin."""

    outage: OutageView
    head: OutageHead
    counts: tuple[tuple[str, int, Severity | None], ...]
    rows: tuple[CallRow, ...]
    cautions: tuple[str, ...]
    may: bool
    outcomes: tuple[tuple[CallOutcome, str], ...]
    whole: tuple[str, ...]
    start: int
    before: int
    total: int
    following: int
    done: str


@router.get("/outages", response_class=HTMLResponse, dependencies=LIVE)
def outages(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    after: Annotated[str, Query(max_length=80)] = "",
) -> HTMLResponse:
    found = kept_outages.outages(services.registry, scope, OUTAGES + 1, after)
    now = services.clock()
    shown = [o for o in found[:OUTAGES] if not o.into]
    view = OutagesPage(
        rows=tuple(_head(services, scope, o, now) for o in shown),
        first=not after,
        following=found[OUTAGES - 1].id if len(found) > OUTAGES else "",
        staff=viewer.staff,
    )
    return frames.render(request, scope, "alerts/outages.html", "alerts", view)


def _head(services: Services, scope: Scope, outage: Outage, now: int) -> OutageHead:
    """What every page says of an outage at its top."""
    episode = alerts.episode(services.registry, scope, outage.id)
    found = finding(outage)
    place = mains.where(episode.finding.facts)[0] if episode else ""
    return OutageHead(
        id=outage.id,
        place=place or ("One site" if outage.alone else outage.area),
        severity=found.severity if outage.ended_at is None else "note",
        said=sentence_for(scope)(found, outage.zone, now),
        since=phrases.since(outage.began_at, outage.zone, now),
        over="" if outage.ended_at is None else words.moment(outage.ended_at, outage.zone, now),
        state=state_words(episode, outage.zone, now, scope) if episode else "",
        open=episode is not None
        and (alarms.state_of(episode), "acknowledged") in alarms.TRANSITIONS,
    )


def find(services: Services, scope: Scope, id: str) -> Outage:
    """The outage, or Problem 404."""
    found = kept_outages.outage(services.registry, scope, id[:64])
    if found is None:
        raise Problem(404, "There is no outage of that id here. The list of outages has them all.")
    return found


@router.get("/outages/{id}", response_class=HTMLResponse, dependencies=LIVE)
def outage(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    id: str,
    at: Annotated[int, Query(ge=0, le=FROM_MOST, alias="from")] = 0,
    done: str = "",
) -> HTMLResponse:
    found = find(services, scope, id)
    now = services.clock()
    told = outage_view(found, now, sentence_for(scope))
    shown = told.units[at : at + A_PAGE]
    rows = lists.sets_of(services.registry, scope, (), {m.site for m in shown})
    sets = {row.unit.id: row for row in rows}
    calls = alerts.calls(services.registry, scope, found.id)
    counts = tally(found.members)
    writes = viewer.may_record and found.ended_at is None
    about = writing(services, scope, found) if writes else None
    view = OutagePage(
        outage=told,
        head=_head(services, scope, found, now),
        counts=tuple(
            (outage_sentences.COVERS[c], n, SHAPES.get(c))
            for c, n in sorted(
                counts.items(), key=lambda item: list(outage_sentences.COVERS).index(item[0])
            )
        ),
        rows=tuple(
            _row(n, m, sets[m.unit], calls, found, scope, now, about)
            for n, m in enumerate(shown, at + 1)
            if m.unit in sets
        ),
        cautions=words.CAUTIONS,
        may=viewer.may_record,
        outcomes=tuple((o, outage_sentences.OUTCOMES[o]) for o in CALLED),
        whole=tuple(_said(c, scope, found.zone, now) for c in calls if not c.unit),
        start=at,
        before=max(0, at - A_PAGE),
        total=len(told.units),
        following=at + A_PAGE if at + A_PAGE < len(told.units) else 0,
        done=DONE.get(done, ""),
    )
    return frames.render(request, scope, "alerts/outage.html", "alerts", view)


def _said(call: Call, scope: Scope, zone: str, now: int) -> str:
    return outage_sentences.call_words(call, staff_name(scope, call.by), zone, now)


def _heard(summary: UnitSummary, zone: str, now: int) -> str:
    """When it was last heard, and when it was last heard running, where no more is known."""
    if summary.heard_at is None:
        return "never heard"
    if summary.ran_at is not None:
        return f"last heard running, {words.moment(summary.ran_at, zone, now)}"
    return f"last heard {phrases.fresh(summary.heard_at, zone, now)}"


def _row(
    number: int,
    member: OutageUnitView,
    row: lists.SetRow,
    calls: list[Call],
    outage: Outage,
    scope: Scope,
    now: int,
    about: Writing | None,
) -> CallRow:
    """One site of the call list. about: for who of the firm may write to its customer."""
    zone = row.site.time_zone
    over = outage.ended_at is not None
    open_now = member.cover in OPEN and not over
    asked = [c for c in calls if c.unit == member.unit]
    phone = row.site.phone or row.unit.phone or row.customer.phone
    return CallRow(
        n=number,
        member=member,
        set=set_name(row.unit, row.site, row.customer),
        cover=outage_sentences.cover(member.cover),
        shape=SHAPES.get(member.cover),
        critical=CRITICAL[member.criticality],
        ask="" if over else outage_sentences.ASK[member.cover],
        phone=phone,
        contact=row.site.contact or row.unit.contact,
        since=phrases.since(member.since, zone, now),
        heard=_heard(row.summary, zone, now),
        minutes=outage_sentences.minutes_words(member) if over or member.back_at else "",
        calls=tuple(_said(c, scope, zone, now) for c in asked),
        open=open_now,
        key=str(uuid4()),
        text=text_of(about, outage, member, row, phone, now) if about else None,
    )


@router.post("/outages/{id}/have", response_class=HTMLResponse, dependencies=[STAFF])
async def have(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    """I have it: the outage is answered, and nobody else is asked."""
    await read_form(request, viewer)
    return await run_in_threadpool(_have, services, viewer, id)


def _have(services: Services, viewer: Viewer, id: str) -> Response:
    find(services, viewer.scope, id)
    for _ in range(5):
        episode = alerts.episode(services.registry, viewer.scope, id)
        if episode is None:
            raise Problem(403, "This outage is of the whole area: the office answers for it.")
        try:
            step = alarms.acknowledge(episode, viewer.name, services.clock())
        except alarms.IllegalStep:
            break  # somebody has it already: a call by this one is noted all the same
        if alerts.add_step(services.registry, step, viewer.actor):
            break
    call = Call(id=str(uuid4()), episode=id, at=services.clock(), by=viewer.name, outcome="mine")
    alerts.add_call(services.registry, call, viewer.actor)
    return RedirectResponse(f"/outages/{id}?done=have", 303)


@router.post("/outages/{id}/call", response_class=HTMLResponse, dependencies=[STAFF])
async def called(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    """What came of a call to one of its sites."""
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_called, services, viewer, id, posted)


def _called(services: Services, viewer: Viewer, id: str, posted: Posted) -> Response:
    outage = find(services, viewer.scope, id)
    unit, outcome = posted.text("unit", 64), posted.text("outcome")
    if unit not in {m.unit for m in outage.members} or outcome not in get_args(CallOutcome):
        raise Problem(422, "Say which of its sites was called and what came of it.")
    try:
        key = str(UUID(posted.text("id")))
    except ValueError:
        key = str(uuid4())
    call = Call(
        id=key,
        episode=id,
        unit=unit,
        at=services.clock(),
        by=viewer.name,
        outcome=cast(CallOutcome, outcome),
        note=alert_sentences.one_line(posted.text("note"), 200),
    )
    alerts.add_call(services.registry, call, viewer.actor)
    start = bounds.whole_or(posted.text("from", 20), 0, most=FROM_MOST)
    where = f"?from={start}&done=call" if start else "?done=call"
    return RedirectResponse(f"/outages/{id}{where}#u-{unit}", 303)
