"""Outages and their call list: the one page for the holder of the duty phone."""

from __future__ import annotations

from typing import Annotated, Any, cast, get_args
from uuid import UUID, uuid4

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.deps import LIVE, AtDesk, Desk, Looking, Reader, require
from dashboard.pages.alerts.lines import state_words
from dashboard.pages.alerts.outage_texts import text_of, writing
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.viewers import Viewer, staff_name
from fleet import bounds, words
from fleet.findings import mains
from fleet.model import Call, CallOutcome, Cover, Outage, OutageMember, Scope, Severity
from fleet.registry import alerts as told
from fleet.registry import outages as kept
from fleet.words import alarms as said_of
from fleet.words import outage as said
from scheduler import alarms
from scheduler.outage import call_list, finding, tally
from scheduler.outage.cover import OPEN

router = APIRouter(include_in_schema=False)
STAFF = require("technician", right=None, person=True)
A_PAGE = 40
FROM_MOST = 100_000
OUTAGES = 30
CRITICAL = {"life": "Life depends on it", "business": "Business", "home": ""}
SHAPES: dict[Cover, Severity] = {
    "failed": "act_now",
    "not_running": "act_now",
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


@router.get("/outages", response_class=HTMLResponse, dependencies=LIVE)
def outages(
    request: Request,
    desk: AtDesk,
    viewer: Looking,
    scope: Reader,
    after: Annotated[str, Query(max_length=80)] = "",
) -> HTMLResponse:
    found = kept.outages(desk.registry, scope, OUTAGES + 1, after)
    now = desk.clock()
    shown = [o for o in found[:OUTAGES] if not o.into]
    return frames.page(
        request,
        scope,
        "alerts/outages.html",
        "alerts",
        now=now,
        rows=[_head(desk, scope, o, now) for o in shown],
        first=not after,
        following=found[OUTAGES - 1].id if len(found) > OUTAGES else "",
        staff=viewer.staff,
    )


def _head(desk: Desk, scope: Scope, outage: Outage, now: int) -> dict[str, Any]:
    """What every page says of an outage at its top."""
    episode = told.episode(desk.registry, scope, outage.id)
    found = finding(outage)
    place = mains.where(episode.finding.facts)[0] if episode else ""
    return {
        "id": outage.id,
        "place": place or ("One site" if outage.alone else outage.area),
        "severity": found.severity if outage.ended_at is None else "note",
        "said": words.sentence(found, outage.zone, now),
        "since": phrases.since(outage.began_at, outage.zone, now),
        "over": "" if outage.ended_at is None else words.moment(outage.ended_at, outage.zone, now),
        "state": state_words(episode, outage.zone, now, scope) if episode else "",
        "open": episode is not None
        and (alarms.state_of(episode), "acknowledged") in alarms.TRANSITIONS,
        "alone": outage.alone,
    }


def find(desk: Desk, scope: Scope, id: str) -> Outage:
    """The outage, or Problem 404."""
    found = kept.outage(desk.registry, scope, id[:64])
    if found is None:
        raise Problem(404, "There is no outage of that id here. The list of outages has them all.")
    return found


@router.get("/outages/{id}", response_class=HTMLResponse, dependencies=LIVE)
def one(
    request: Request,
    desk: AtDesk,
    viewer: Looking,
    scope: Reader,
    id: str,
    at: Annotated[int, Query(ge=0, le=FROM_MOST, alias="from")] = 0,
    done: str = "",
) -> HTMLResponse:
    outage = find(desk, scope, id)
    now = desk.clock()
    listed = call_list(outage.members)
    shown = listed[at : at + A_PAGE]
    rows = kept.sets_of(desk.registry, (), {m.site for m in shown})
    sets = {row.unit.id: row for row in rows if scope.sees(row.customer.id)}
    calls = _calls(desk, scope, outage)
    counts = tally(outage.members)
    return frames.page(
        request,
        scope,
        "alerts/outage.html",
        "alerts",
        now=now,
        outage=_head(desk, scope, outage, now),
        counts=[
            (said.COVERS[c], n, SHAPES.get(c))
            for c, n in sorted(counts.items(), key=lambda item: list(said.COVERS).index(item[0]))
        ],
        rows=_with_texts(
            desk,
            viewer,
            outage,
            [
                (m, sets[m.unit], _row(n, m, sets[m.unit], calls, outage, scope, now))
                for n, m in enumerate(shown, at + 1)
                if m.unit in sets
            ],
            now,
        ),
        cautions=words.CAUTIONS,
        may=viewer.may_record,
        outcomes=[(o, said.OUTCOMES[o]) for o in CALLED],
        whole=[_said(c, scope, outage.zone, now) for c in calls if not c.unit],
        start=at,
        before=max(0, at - A_PAGE),
        total=len(listed),
        following=at + A_PAGE if at + A_PAGE < len(listed) else 0,
        done=DONE.get(done, ""),
    )


def _with_texts(
    desk: Desk,
    viewer: Viewer,
    outage: Outage,
    rows: list[tuple[OutageMember, kept.SetRow, dict[str, Any]]],
    now: int,
) -> list[dict[str, Any]]:
    """Each row with the text to its customer, for those of the firm who may write to customers."""
    if not viewer.may_record or outage.ended_at is not None:
        return [row for _, _, row in rows]
    about = writing(desk, outage)
    return [
        row | {"text": text_of(about, outage, member, held, row["phone"], now)}
        for member, held, row in rows
    ]


def _calls(desk: Desk, scope: Scope, outage: Outage) -> list[Call]:
    """Calls about it; a restricted viewer sees those about its own sets."""
    mine = {m.unit for m in outage.members}
    found = told.calls(desk.registry, outage.id)
    return found if scope.everything else [c for c in found if c.unit in mine]


def _said(call: Call, scope: Scope, zone: str, now: int) -> str:
    return said.call_words(call, staff_name(scope, call.by), zone, now)


def _row(
    number: int,
    member: OutageMember,
    row: kept.SetRow,
    calls: list[Call],
    outage: Outage,
    scope: Scope,
    now: int,
) -> dict[str, Any]:
    """One site of the call list."""
    zone = row.site.time_zone
    heard = row.summary.heard_at
    over = outage.ended_at is not None
    open_now = member.cover in OPEN and not over
    asked = [c for c in calls if c.unit == member.unit]
    return frames.named(row.unit, row.site, row.customer) | {
        "n": number,
        "cover": said.cover(member.cover),
        "shape": SHAPES.get(member.cover),
        "critical": CRITICAL[member.criticality],
        "ask": "" if over else said.ASK[member.cover],
        "phone": row.site.phone or row.unit.phone or row.customer.phone,
        "contact": row.site.contact or row.unit.contact,
        "since": phrases.since(member.since, zone, now),
        "heard": f"last heard {phrases.fresh(heard, zone, now)}" if heard else "never heard",
        "minutes": said.minutes_words(member) if over or member.back_at else "",
        "calls": [_said(c, scope, zone, now) for c in asked],
        "open": open_now,
        "key": str(uuid4()),
        "text": None,
    }


@router.post("/outages/{id}/have", response_class=HTMLResponse, dependencies=[STAFF])
async def have(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    """I have it: the outage is answered, and nobody else is asked."""
    await read_form(request, viewer)
    return await run_in_threadpool(_have, desk, viewer, id)


def _have(desk: Desk, viewer: Viewer, id: str) -> Response:
    find(desk, viewer.scope, id)
    for _ in range(5):
        episode = told.episode(desk.registry, viewer.scope, id)
        if episode is None:
            raise Problem(403, "This outage is of the whole area: the office answers for it.")
        try:
            step = alarms.acknowledge(episode, viewer.name, desk.clock())
        except alarms.IllegalStep:
            break  # somebody has it already: a call by this one is noted all the same
        if told.add_step(desk.registry, step, viewer.actor):
            break
    call = Call(id=str(uuid4()), episode=id, at=desk.clock(), by=viewer.name, outcome="mine")
    told.add_call(desk.registry, call, viewer.actor)
    return RedirectResponse(f"/outages/{id}?done=have", 303)


@router.post("/outages/{id}/call", response_class=HTMLResponse, dependencies=[STAFF])
async def called(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    """What came of a call to one of its sites."""
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_called, desk, viewer, id, posted)


def _called(desk: Desk, viewer: Viewer, id: str, posted: Posted) -> Response:
    outage = find(desk, viewer.scope, id)
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
        at=desk.clock(),
        by=viewer.name,
        outcome=cast(CallOutcome, outcome),
        note=said_of.one_line(posted.text("note"), 200),
    )
    told.add_call(desk.registry, call, viewer.actor)
    start = bounds.whole_or(posted.text("from", 20), 0, most=FROM_MOST)
    where = f"?from={start}&done=call" if start else "?done=call"
    return RedirectResponse(f"/outages/{id}{where}#u-{unit}", 303)
