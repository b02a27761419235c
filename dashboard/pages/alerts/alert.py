"""One alert: what a message links to. Opening it changes nothing; answering it is a form."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import cast, get_args

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.pages import forms
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
from dashboard.views.alerts import AlertLine, line, subject
from fleet import calendar, words
from fleet.model import Contact, Episode, Mark, MarkWord, Notice, Scope, Step
from fleet.registry.office import duty_rota
from fleet.registry.told import alerts, outbox
from fleet.registry.told.outbox import Try
from fleet.words import alert_sentences
from scheduler import alarms

router = APIRouter(include_in_schema=False)
STAFF = require("technician", right=None, person=True)
TRIES = 5
SHELF_S = 8 * 3600
"""Tries of a write that met another, and how long a shelf lasts where nobody says. Common
practice, no source."""
DONE = {
    "have": "You have it.",
    "shelve": "Shelved.",
    "unshelve": "Taken off the shelf.",
    "mark": "Thank you: it counts towards which rule is right.",
}
WAYS = {"email": "e-mail", "sms": "text message", "push": "push", "webhook": "webhook"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One message about it: to whom, by which way, how it fared, when it left or leaves."""

    who: str
    way: str
    state: str
    when: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertPage:
    """One alert. may: whether this viewer may answer it; shelf: the end the form of shelving begins
    with, on the wall at the site; names: marks in words; mark: the one it has."""

    row: AlertLine
    done: str
    wrong: str
    may: bool
    shelf: str
    names: dict[MarkWord, str]
    mark: Mark | None
    sent: tuple[Told, ...]


@router.get("/alerts/{id}", response_class=HTMLResponse, dependencies=LIVE)
def alert(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    id: str,
    done: str = "",
) -> HTMLResponse:
    return _show(request, services, viewer, scope, find(services, scope, id), DONE.get(done, ""))


def find(services: Services, scope: Scope, id: str) -> Episode:
    """The episode, or Problem 404: what a Scope does not see does not exist."""
    found = alerts.episode(services.registry, scope, id[:64])
    if found is None:
        raise Problem(404, "There is no alert of that id here. The list of alerts has them all.")
    return found


def _show(
    request: Request,
    services: Services,
    viewer: Viewer,
    scope: Scope,
    episode: Episode,
    done: str = "",
    wrong: str = "",
    status: int = 200,
) -> HTMLResponse:
    now = services.clock()
    row = line(services, scope, episode, now)
    shelf = calendar.local(now + SHELF_S, row.subject.zone).strftime("%Y-%m-%dT%H:%M")
    sent = alerts.notices(services.registry, scope, episode.id)
    tries = outbox.tries_of(services.registry, scope, [notice.id for notice, _ in sent])
    people = {c.person: c for c in duty_rota.contacts(services.registry)} if sent else {}
    view = AlertPage(
        row=row,
        done=done,
        wrong=wrong,
        may=viewer.may_record,
        shelf=shelf,
        names=alert_sentences.MARKS,
        mark=alerts.marks(services.registry, scope, [episode.id]).get(episode.id),
        sent=tuple(
            _told(notice, state, people, tries, row.subject.zone, now) for notice, state in sent
        ),
    )
    return frames.render(request, scope, "alerts/alert.html", "alerts", view, status)


def _told(
    notice: Notice,
    state: str,
    people: dict[str, Contact],
    tries: Sequence[Try],
    zone: str,
    now: int,
) -> Told:
    contact = people.get(notice.person)
    mine = [one for one in tries if one.notice == notice.id]
    if mine and mine[-1].outcome == "delivered":
        state = f"delivered {words.moment(mine[-1].at, zone, now)}"
    elif mine:
        state = f"not delivered after {words.count(len(mine), 'try').replace('trys', 'tries')}"
        state += f": {mine[-1].detail}" if mine[-1].detail else ""
    later = notice.not_before > now
    when = words.moment(notice.not_before if later else notice.made_at, zone, now)
    nameless = "the customer" if notice.kind == "customer_text" else "somebody"
    return Told(
        who=contact.name if contact else nameless,
        way=WAYS[notice.way],
        state=f"leaves at {when}" if later and state == "waiting" else state.replace("_", " "),
        when=when,
        kind=notice.kind.replace("_", " "),
    )


@router.post("/alerts/{id}/have", response_class=HTMLResponse, dependencies=[STAFF])
async def have(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    """I have it; or, of one that is over: seen."""
    await read_form(request, viewer)
    return await run_in_threadpool(
        _step,
        request,
        services,
        viewer,
        id,
        "have",
        lambda e, now: alarms.acknowledge(e, viewer.name, now),
    )


@router.post("/alerts/{id}/unshelve", response_class=HTMLResponse, dependencies=[STAFF])
async def unshelve(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    await read_form(request, viewer)
    return await run_in_threadpool(
        _step,
        request,
        services,
        viewer,
        id,
        "unshelve",
        lambda e, now: alarms.unshelve(e, viewer.name, now),
    )


@router.post("/alerts/{id}/shelve", response_class=HTMLResponse, dependencies=[STAFF])
async def shelve(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_shelve, request, services, viewer, id, posted)


def _shelve(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    episode = find(services, viewer.scope, id)
    zone = subject(services, viewer.scope, episode).zone
    try:
        until = forms.moment(posted.text("until"), zone)
    except ValueError as fault:
        return _show(
            request, services, viewer, viewer.scope, episode, wrong=f"Until: {fault}", status=422
        )
    why = alert_sentences.one_line(posted.text("why"), 200)
    return _step(
        request,
        services,
        viewer,
        id,
        "shelve",
        lambda e, now: alarms.shelve(e, viewer.name, until, now, why),
    )


def _step(
    request: Request,
    services: Services,
    viewer: Viewer,
    id: str,
    what: str,
    make: Callable[[Episode, int], Step],
) -> Response:
    """Append the step; where another came first, look at the alert as it is then."""
    episode = find(services, viewer.scope, id)
    for _ in range(TRIES):
        try:
            step = make(episode, services.clock())
        except alarms.IllegalStep as refusal:
            return _show(
                request, services, viewer, viewer.scope, episode, wrong=str(refusal), status=409
            )
        if alerts.add_step(services.registry, step, viewer.actor):
            return RedirectResponse(f"/alerts/{id}?done={what}", 303)
        episode = find(services, viewer.scope, id)
    raise Problem(409, "This alert is changing just now. Look at it again and answer then.")


@router.post("/alerts/{id}/mark", response_class=HTMLResponse, dependencies=[STAFF])
async def mark(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    """Right, wrong or known; and whether the customer knew first."""
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_mark, request, services, viewer, id, posted)


def _mark(
    request: Request, services: Services, viewer: Viewer, id: str, posted: Posted
) -> Response:
    episode = find(services, viewer.scope, id)
    word = posted.text("mark")
    if word not in get_args(MarkWord):
        wrong = "Say whether it was right, wrong or known already."
        return _show(request, services, viewer, viewer.scope, episode, wrong=wrong, status=422)
    opinion = Mark(
        episode=id,
        at=services.clock(),
        by=viewer.name,
        mark=cast(MarkWord, word),
        customer_first=bool(posted.text("customer_first")),
    )
    alerts.set_mark(services.registry, opinion, viewer.actor)
    return RedirectResponse(f"/alerts/{id}?done=mark", 303)
