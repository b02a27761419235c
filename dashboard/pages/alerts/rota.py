"""The rota: whose week it is, swaps, the handover, who is next in line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import time, timedelta

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.posted import Posted, read_form
from dashboard.request_context import CurrentScope, CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from fleet import bounds, calendar, words
from fleet.model import Contact, Rota, Scope, Swap
from fleet.registry.office import duty_rota
from fleet.words.notice_sentences import quiet_hours
from scheduler import alarms
from scheduler.alarms.rota import contact_of

router = APIRouter(include_in_schema=False)
LOOKS = require("technician", right="read", whole=True)
CHANGES = require("office", right=None, person=True, whole=True)
WEEKS = 8
PLACES = 10
"""Weeks ahead and places of a line that a page shows. A page's length."""
LEFT = "somebody who has left"
DONE = {"changed": "Changed. It holds from now on."}


class RotaFault(ValueError):
    """A field that cannot be taken. Its text says which and what to write."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RotaForm:
    """What the form of the weeks holds, as typed. people: ids in order; minutes: until the next in
    line is told too; last: the id of the last resort."""

    people: tuple[str, ...]
    start: str
    handover: str
    zone: str
    minutes: str
    last: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """One week to come: its first day and the day after its last, who holds the duty phone, and
    that person's quiet hours."""

    first: str
    after: str
    who: str
    quiet: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RotaPage:
    """The rota. line: who is told after the holder; people: (id, name) to choose from; swaps:
    (number, from, to, who); n: number of the rota that was looked at; places: weeks to fill in."""

    done: str
    wrong: str
    holder: str
    line: tuple[str, ...]
    weeks: tuple[Week, ...]
    unreached: tuple[str, ...]
    people: tuple[tuple[str, str], ...]
    sent: RotaForm
    swaps: tuple[tuple[int, str, str, str], ...]
    n: int
    places: int
    may: bool


@router.get("/rota", response_class=HTMLResponse, dependencies=[LOOKS])
def rota(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    done: str = "",
) -> HTMLResponse:
    held, n = duty_rota.rota(services.registry)
    return _show(request, services, viewer, scope, held, n, done=DONE.get(done, ""))


def _show(
    request: Request,
    services: Services,
    viewer: Viewer,
    scope: Scope,
    held: Rota,
    n: int,
    sent: RotaForm | None = None,
    wrong: str = "",
    status: int = 200,
    done: str = "",
) -> HTMLResponse:
    now = services.clock()
    people = duty_rota.contacts(services.registry)
    names = {c.person: c.name for c in people}
    line = alarms.in_line(held, now)
    view = RotaPage(
        done=done,
        wrong=wrong,
        holder=names.get(line[0], LEFT) if line else "",
        line=tuple(names.get(p, LEFT) for p in line[1:]),
        weeks=tuple(_week(*w, people) for w in alarms.weeks_ahead(held, now, WEEKS)),
        unreached=tuple(c.name for c in people if c.person in line and not c.ways),
        people=tuple(sorted(names.items(), key=lambda item: item[1].casefold())),
        sent=sent or _form(held),
        swaps=tuple(
            (i, words.day(s.from_on), words.day(s.to_on), names.get(s.person, "?"))
            for i, s in enumerate(held.swaps)
        ),
        n=n,
        places=max(PLACES if not held.people else len(held.people) + 2, 3),
        may=viewer.kind == "person" and viewer.role in ("office", "owner"),
    )
    return frames.render(request, scope, "alerts/rota.html", "alerts", view, status)


def _form(held: Rota) -> RotaForm:
    """The form as it stands before anything is typed."""
    return RotaForm(
        people=tuple(held.people),
        start=held.start,
        handover=held.handover,
        zone=held.zone,
        minutes=str(held.escalate_s // 60),
        last=held.last,
    )


def _week(first: str, after: str, person: str, people: Sequence[Contact]) -> Week:
    who = contact_of(people, person)
    return Week(
        first=words.day(first),
        after=words.day(after),
        who=who.name if who else LEFT,
        quiet=quiet_hours(who.quiet.begins, who.quiet.ends) if who else "",
    )


@router.post("/rota", response_class=HTMLResponse, dependencies=[CHANGES])
async def change(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    """The weeks, the handover, the line; or one swap more or less."""
    posted = await read_form(request, viewer, 80)
    return await run_in_threadpool(_change, request, services, viewer, posted)


def _change(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    held, n = duty_rota.rota(services.registry)
    known = {c.person for c in duty_rota.contacts(services.registry)}
    sent = RotaForm(
        people=tuple(p for p in posted.every("person") if p),
        start=posted.text("start"),
        handover=posted.text("handover"),
        zone=posted.text("zone"),
        minutes=posted.text("minutes"),
        last=posted.text("last"),
    )
    what = posted.text("what")
    try:
        if what == "swap":
            wanted = _with_swap(held, posted, known)
        elif what == "unswap":
            wanted = _without_swap(held, posted.text("swap"))
        else:
            wanted = _weeks(held, sent, known)
        asked = bounds.whole_or(posted.text("n", 20), n)
        duty_rota.agree_rota(services.registry, wanted, asked, viewer.actor, services.clock())
    except (RotaFault, duty_rota.AgreedMeanwhile) as fault:
        typed = sent if not what else None
        return _show(
            request, services, viewer, viewer.scope, held, n, typed, str(fault), status=422
        )
    return RedirectResponse("/rota?done=changed", 303)


def _weeks(held: Rota, sent: RotaForm, known: set[str]) -> Rota:
    if any(p not in known for p in sent.people):
        raise RotaFault("Somebody chosen is not of the firm any more: choose again.")
    if sent.last and sent.last not in known:
        raise RotaFault("The last resort is not of the firm any more: choose again.")
    try:
        start = bounds.day(sent.start)
    except ValueError:
        raise RotaFault("The first week begins on: write a date like 2026-11-30.") from None
    try:
        handover = f"{time.fromisoformat(sent.handover):%H:%M}"
    except ValueError:
        raise RotaFault("Handover at: write a time like 08:00.") from None
    try:
        named = calendar.zone_named(sent.zone)
    except calendar.ZoneUnknown as fault:
        raise RotaFault(f"Time zone: {fault}") from None
    try:
        minutes = bounds.whole(sent.minutes, 1, 240)
    except ValueError:
        raise RotaFault("Next in line after: write minutes from 1 to 240.") from None
    return Rota(
        people=sent.people,
        start=start.isoformat(),
        handover=handover,
        zone=named,
        swaps=held.swaps,
        escalate_s=minutes * 60,
        last=sent.last,
    )


def _with_swap(held: Rota, posted: Posted, known: set[str]) -> Rota:
    person = posted.text("person")
    if person not in known:
        raise RotaFault("Choose who takes over.")
    try:
        first = bounds.day(posted.text("from"))
        after = bounds.day(posted.text("to"))
    except ValueError:
        raise RotaFault(
            "A swap goes from one date to another: write them like 2026-11-30."
        ) from None
    if not first < after <= first + timedelta(days=366):
        raise RotaFault("A swap ends after it begins, within a year.")
    swap = Swap(from_on=first.isoformat(), to_on=after.isoformat(), person=person)
    return _with(held, (*held.swaps, swap))


def _without_swap(held: Rota, which: str) -> Rota:
    gone = bounds.whole_or(which, len(held.swaps))
    if gone >= len(held.swaps):
        raise RotaFault("That swap is not there any more.")
    return _with(held, tuple(s for i, s in enumerate(held.swaps) if i != gone))


def _with(held: Rota, swaps: tuple[Swap, ...]) -> Rota:
    return Rota(
        people=held.people,
        start=held.start,
        handover=held.handover,
        zone=held.zone,
        swaps=swaps,
        escalate_s=held.escalate_s,
        last=held.last,
    )
