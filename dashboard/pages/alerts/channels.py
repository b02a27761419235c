"""How people are reached: their addresses, a test message, and how the last messages fared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.pages.alerts.alert import WAYS
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from fleet import words
from fleet.model import Contact, Notice, Scope
from fleet.registry import people
from fleet.registry.office import duty_rota, quiet_hours
from fleet.registry.office.sitecard import CardRefused, key_of
from fleet.registry.told import outbox
from fleet.registry.told.outbox import Target, TargetRefused, put_notices
from fleet.registry.told.outbox.addresses import (
    OWNERS_ALONE,
    TAKEN,
    TAKEN_OF_ALL,
    AddressFault,
    names_a_server,
    read,
    shown,
)
from fleet.words import notice_sentences
from scheduler.alarms import holder, notice_id, weekly

STAFF = require("technician", right=None, person=True)
NOBODY = "There is nobody of the firm by that name whom you may change."
NO_ADDRESS = "There is no such address here. The list has them all."
router = APIRouter(include_in_schema=False)
DONE = {
    "added": "Added. Send a test message to see that it arrives.",
    "removed": "Removed.",
    "quiet": "Changed. It holds from now on; a message that waits already leaves when it was going to.",
    "tested": "A test message is on its way; how it fared stands below in a few seconds.",
}
OUTCOMES = {
    "delivered": "delivered",
    "not_delivered": "not delivered",
    "not_allowed": "could not be sent",
    "answered": "answered",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """One address of a person. shown: as much of it as is ever shown; last: how the last message
    fared, bad where it did not arrive; may: whether this viewer may take it away."""

    id: str
    way: str
    shown: str
    last: str
    bad: bool
    by_login: bool
    may: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """A person of the firm: the quiet hours in words, and the addresses."""

    id: str
    name: str
    quiet: str
    targets: tuple[Address, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietForm:
    """The form of somebody's quiet hours. n: their number when looked at; begins, ends: as typed,
    on the rota's clock."""

    person: str
    name: str
    n: int
    begins: str
    ends: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LastAddress:
    """An address that is asked about once more before it is removed. said: why."""

    id: str
    said: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelsPage:
    """How people are reached. people: (id, name) to give an address to; mine: the viewer's own id;
    messages, late, failed: notices of a week; taken: which addresses are; mail: whether e-mail can
    leave at all."""

    rows: tuple[Reached, ...]
    done: str
    wrong: str
    owner: bool
    people: tuple[tuple[str, str], ...]
    mine: str
    zone: str
    sure: LastAddress | None
    hours: QuietForm | None
    messages: int
    late: int
    failed: int
    taken: str
    tested: str
    mail: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WeeklyTestPage:
    """What the weekly test message opens. on: its day (ISO); said: how it went."""

    on: str
    said: str
    answered: bool


@router.get("/channels", response_class=HTMLResponse, dependencies=[STAFF])
def channels(
    request: Request, services: TheServices, viewer: CurrentViewer, done: str = "", whose: str = ""
) -> HTMLResponse:
    return show(request, services, viewer, done=DONE.get(done, ""), whose=whose[:64])


def show(
    request: Request,
    services: Services,
    viewer: Viewer,
    done: str = "",
    wrong: str = "",
    status: int = 200,
    whose: str = "",
    typed: tuple[str, str] | None = None,
    sure: LastAddress | None = None,
) -> HTMLResponse:
    """The page. whose: the person whose quiet hours its form has; typed: from and until as sent;
    sure: the address that is asked about once more before it is removed."""
    now, owner = services.clock(), viewer.role == "owner"
    mine = me(viewer)
    held_rota = duty_rota.rota(services.registry)[0]
    zone = held_rota.zone
    held = [t for t in _targets(services) if owner or t.person == mine]
    contacts = [c for c in duty_rota.contacts(services.registry) if owner or c.person == mine]
    last = outbox.last_tries(services.registry, [t.id for t in held])
    names = {c.person: c.name for c in contacts}
    if whose and whose not in names:
        raise Problem(404, NOBODY)
    counts = outbox.outbox_counts(services.registry, viewer.scope, now)
    view = ChannelsPage(
        rows=tuple(
            Reached(
                id=contact.person,
                name=contact.name,
                quiet=notice_sentences.quiet_hours(contact.quiet.begins, contact.quiet.ends),
                targets=tuple(
                    _address(t, last, owner, zone, now) for t in held if t.person == contact.person
                ),
            )
            for contact in contacts
        ),
        done=done,
        wrong=wrong,
        owner=owner,
        people=tuple(sorted(names.items(), key=lambda x: x[1])),
        mine=mine,
        zone=zone,
        sure=sure,
        hours=_quiet_form(services, contacts, whose or mine, typed),
        messages=counts.get("sent", 0),
        late=counts["late"],
        failed=counts.get("failed", 0),
        taken=TAKEN if owner else TAKEN_OF_ALL,
        tested=_tested(services, viewer.scope, weekly.newest(held_rota, now)),
        mail=bool(services.settings.smtp_host and services.settings.smtp_from),
    )
    return frames.render(request, viewer.scope, "alerts/channels.html", "alerts", view, status)


def _quiet_form(
    services: Services, contacts: Sequence[Contact], person: str, typed: tuple[str, str] | None
) -> QuietForm | None:
    """What the form of somebody's quiet hours holds; None where there is nobody to have some."""
    contact = next((c for c in contacts if c.person == person), None)
    if contact is None:
        return None
    held, n = quiet_hours.of_person(services.registry, person)
    begins, ends = typed or (held.begins, held.ends)
    return QuietForm(person=person, name=contact.name, n=n, begins=begins, ends=ends)


def _tested(services: Services, scope: Scope, cause: str) -> str:
    """How the newest weekly test went, in a sentence; '' where none was sent."""
    if not outbox.of_cause(services.registry, scope, cause):
        return ""
    on = words.day(cause.partition(":")[2])
    answered = outbox.answers(services.registry, scope, cause)
    if not answered:
        return f"The weekly test of {on} was not answered yet."
    first = answered[0]
    return f"The weekly test of {on} was answered by {first.detail}."


@router.get("/weekly-test/{on}", response_class=HTMLResponse, dependencies=[STAFF])
def weekly_test(
    request: Request, services: TheServices, viewer: CurrentViewer, on: str
) -> HTMLResponse:
    """What the weekly test message opens; opening it answers nothing."""
    cause = f"weekly_test:{on[:10]}"
    if not outbox.of_cause(services.registry, viewer.scope, cause):
        raise Problem(404, "There was no weekly test on that day.")
    view = WeeklyTestPage(
        on=on[:10],
        said=_tested(services, viewer.scope, cause),
        answered=bool(outbox.answers(services.registry, viewer.scope, cause)),
    )
    return frames.render(request, viewer.scope, "alerts/weekly_test.html", "alerts", view)


@router.post("/weekly-test/{on}", response_class=HTMLResponse, dependencies=[STAFF])
async def answered(
    request: Request, services: TheServices, viewer: CurrentViewer, on: str
) -> Response:
    """I have it."""
    await read_form(request, viewer, 4)
    if not await run_in_threadpool(
        outbox.answer, services.registry, f"weekly_test:{on[:10]}", viewer.actor, services.clock()
    ):
        raise Problem(404, "There was no weekly test on that day.")
    return RedirectResponse(f"/weekly-test/{on[:10]}", 303)


def me(viewer: Viewer) -> str:
    """The id of who looks; '' where nobody signed in."""
    return viewer.session.person.id if viewer.session is not None else ""


def _targets(services: Services) -> list[Target]:
    """Every address, opened with this installation's key where there is one."""
    try:
        return outbox.targets(services.registry, key=key_of(services.settings))
    except CardRefused:
        return outbox.targets(services.registry)


def _address(
    target: Target, last: dict[str, outbox.Try], owner: bool, zone: str, now: int
) -> Address:
    tried = last.get(target.id)
    said = "never tried"
    if tried is not None:
        said = f"{OUTCOMES[tried.outcome]} {words.moment(tried.at, zone, now)}"
        said += f": {tried.detail}" if tried.detail else ""
    return Address(
        id=target.id,
        way=WAYS[target.way],
        shown=target.shown,
        last=said,
        bad=tried is not None and tried.outcome != "delivered",
        by_login=target.id.startswith("login-"),
        may=owner or not names_a_server(target.address),
    )


@router.post("/channels", response_class=HTMLResponse, dependencies=[STAFF])
async def add(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer, 8)
    return await run_in_threadpool(_add, request, services, viewer, posted)


def _add(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    """Everyone their own; what this server would have to ask, and other people's, the owner."""
    owner, person = viewer.role == "owner", posted.text("person", 64) or me(viewer)
    if not owner and person != me(viewer):
        raise Problem(404, NOBODY)
    try:
        address = read(posted.secret("address")[:600])
        if not owner and names_a_server(address.text):
            raise AddressFault(OWNERS_ALONE)
        key = key_of(services.settings)
        outbox.add_target(
            services.registry,
            person,
            address.way,
            address.text,
            shown(address),
            key,
            viewer.actor,
            services.clock(),
        )
    except (AddressFault, TargetRefused, CardRefused) as fault:
        return show(request, services, viewer, wrong=str(fault), status=422)
    return RedirectResponse("/channels?done=added", 303)


@router.post("/channels/{id}/remove", response_class=HTMLResponse, dependencies=[STAFF])
async def remove(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    posted = await read_form(request, viewer, 4)
    return await run_in_threadpool(
        _remove, request, services, viewer, id[:64], posted.text("sure", 4) == "yes"
    )


def _remove(request: Request, services: Services, viewer: Viewer, id: str, sure: bool) -> Response:
    found = _found(services, viewer, id)
    if found.id.startswith("login-"):
        wrong = "This is the name to sign in with. Add another e-mail address and it is not used."
        return show(request, services, viewer, wrong=wrong, status=422)
    if viewer.role != "owner" and names_a_server(found.address):
        return show(request, services, viewer, wrong=OWNERS_ALONE, status=422)
    warning = "" if sure else _warning(services, found)
    if warning:
        what = f"{WAYS[found.way]} {found.shown}"
        sure_of = LastAddress(id=found.id, said=warning, what=what)
        return show(request, services, viewer, sure=sure_of)
    outbox.remove_target(services.registry, found.id, viewer.actor, services.clock())
    return RedirectResponse("/channels?done=removed", 303)


def _found(services: Services, viewer: Viewer, id: str) -> Target:
    """The address of that id, if it is one's own or the owner asks. Raises Problem 404."""
    found = next((t for t in _targets(services) if t.id == id), None)
    if found is None or (viewer.role != "owner" and found.person != me(viewer)):
        raise Problem(404, NO_ADDRESS)
    return found


def _warning(services: Services, target: Target) -> str:
    """What is said before an address is removed; '' where another one is known to work."""
    person = people.person(services.registry, target.person)
    if person is None:
        return ""
    left = [t for t in outbox.targets(services.registry, person.id) if t.id != target.id]
    ids = {t.id: t.way for t in left}
    if "@" in person.login and "email" not in ids.values():
        ids[f"login-{person.id}"] = "email"
    mailed = bool(services.settings.smtp_host and services.settings.smtp_from)
    tried = outbox.last_tries(services.registry, list(ids))
    for id, way in ids.items():
        if id in tried and tried[id].outcome == "delivered" and (way != "email" or mailed):
            return ""
    on_duty = holder(duty_rota.rota(services.registry)[0], services.clock()) == person.id
    return notice_sentences.last_address(person.name, bool(ids), on_duty)


@router.post("/channels/{id}/test", response_class=HTMLResponse, dependencies=[STAFF])
async def test(request: Request, services: TheServices, viewer: CurrentViewer, id: str) -> Response:
    await read_form(request, viewer, 4)
    return await run_in_threadpool(_test, services, viewer, id[:64])


def _test(services: Services, viewer: Viewer, id: str) -> Response:
    now = services.clock()
    found = _found(services, viewer, id)
    cause = f"channel_test:{found.id}"
    subject, body = notice_sentences.channel_test(services.settings.firm)
    notice = Notice(
        id=notice_id(cause, str(now), found.person, found.way),
        cause=cause,
        step=str(now),
        person=found.person,
        way=found.way,
        kind="channel_test",
        subject=subject,
        body=body,
        made_at=now,
        not_before=now,
        path="/channels",
    )
    put_notices(services.registry, [notice], now)
    return RedirectResponse("/channels?done=tested", 303)
