"""How people are reached: their addresses, a test message, and how the last messages fared."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.deps import AtDesk, Desk, Looking, require
from dashboard.pages.alert import WAYS
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.viewers import Viewer
from fleet import words
from fleet.model import Notice
from fleet.registry import notices as outbox
from fleet.registry import rota
from fleet.registry.notice_addresses import SCHEMES, AddressFault, read, shown
from fleet.registry.notices import Target, TargetRefused
from fleet.registry.sitecard import CardRefused, key_of
from fleet.registry.work_alerts import put_notices
from fleet.words import notices as say
from scheduler.alarms import notice_id, weekly

STAFF = require("technician", right=None, person=True)
OWNER = require("owner", right=None, person=True)
router = APIRouter(include_in_schema=False)
DONE = {
    "added": "Added. Send a test message to see that it arrives.",
    "removed": "Removed.",
    "tested": "A test message is on its way; how it fared stands below in a few seconds.",
}
OUTCOMES = {
    "delivered": "delivered", "not_delivered": "not delivered",
    "not_allowed": "could not be sent", "answered": "answered",
}  # fmt: skip


@router.get("/channels", response_class=HTMLResponse, dependencies=[STAFF])
def channels(request: Request, desk: AtDesk, viewer: Looking, done: str = "") -> HTMLResponse:
    return _show(request, desk, viewer, done=DONE.get(done, ""))


def _show(
    request: Request, desk: Desk, viewer: Viewer, done: str = "", wrong: str = "",
    status: int = 200,
) -> HTMLResponse:  # fmt: skip
    now, owner = desk.clock(), viewer.role == "owner"
    mine = _me(viewer)
    held_rota = rota.rota(desk.registry)[0]
    zone = held_rota.zone
    held = [t for t in outbox.targets(desk.registry) if owner or t.person == mine]
    everybody = [c for c in rota.contacts(desk.registry) if owner or c.person == mine]
    last = outbox.last_tries(desk.registry, [t.id for t in held])
    names = {c.person: c.name for c in everybody}
    rows: list[dict[str, Any]] = [
        {
            "name": contact.name,
            "targets": [_row(t, last, zone, now) for t in held if t.person == contact.person],
        }
        for contact in everybody
    ]
    counts = outbox.outbox_counts(desk.registry, now)
    tested = weekly.newest(held_rota, now)
    return frames.page(
        request, viewer.scope, "channels.html", "alerts", status=status, now=now, rows=rows,
        done=done, wrong=wrong, owner=owner, people=sorted(names.items(), key=lambda x: x[1]),
        counts=counts, schemes=", ".join(f"{s}://" for s in sorted(SCHEMES)),
        tested=_tested(desk, tested, now),
        mail=bool(desk.settings.smtp_host and desk.settings.smtp_from),
    )  # fmt: skip


def _tested(desk: Desk, cause: str, now: int) -> str:
    """How the newest weekly test went, in a sentence; '' where none was sent."""
    if not outbox.of_cause(desk.registry, cause):
        return ""
    on = words.day(cause.partition(":")[2])
    answered = outbox.answers(desk.registry, cause)
    if not answered:
        return f"The weekly test of {on} was not answered yet."
    first = answered[0]
    return f"The weekly test of {on} was answered by {first.detail}."


@router.get("/weekly-test/{on}", response_class=HTMLResponse, dependencies=[STAFF])
def weekly_test(request: Request, desk: AtDesk, viewer: Looking, on: str) -> HTMLResponse:
    """What the weekly test message opens; opening it answers nothing."""
    cause = f"weekly_test:{on[:10]}"
    if not outbox.of_cause(desk.registry, cause):
        raise Problem(404, "There was no weekly test on that day.")
    return frames.page(
        request, viewer.scope, "weekly_test.html", "alerts", now=desk.clock(), on=on[:10],
        said=_tested(desk, cause, desk.clock()),
        answered=bool(outbox.answers(desk.registry, cause)),
    )  # fmt: skip


@router.post("/weekly-test/{on}", response_class=HTMLResponse, dependencies=[STAFF])
async def answered(request: Request, desk: AtDesk, viewer: Looking, on: str) -> Response:
    """I have it."""
    await read_form(request, viewer, 4)
    if not await run_in_threadpool(
        outbox.answer, desk.registry, f"weekly_test:{on[:10]}", viewer.actor, desk.clock()
    ):
        raise Problem(404, "There was no weekly test on that day.")
    return RedirectResponse(f"/weekly-test/{on[:10]}", 303)


def _me(viewer: Viewer) -> str:
    return viewer.session.person.id if viewer.session is not None else ""


def _row(target: Target, last: dict[str, outbox.Try], zone: str, now: int) -> dict[str, Any]:
    tried = last.get(target.id)
    said = "never tried"
    if tried is not None:
        said = f"{OUTCOMES[tried.outcome]} {words.moment(tried.at, zone, now)}"
        said += f": {tried.detail}" if tried.detail else ""
    return {
        "id": target.id, "way": WAYS[target.way], "shown": target.shown, "last": said,
        "bad": tried is not None and tried.outcome != "delivered",
        "by_login": target.id.startswith("login-"),
    }  # fmt: skip


@router.post("/channels", response_class=HTMLResponse, dependencies=[OWNER])
async def add(request: Request, desk: AtDesk, viewer: Looking) -> Response:
    posted = await read_form(request, viewer, 8)
    return await run_in_threadpool(_add, request, desk, viewer, posted)


def _add(request: Request, desk: Desk, viewer: Viewer, posted: Posted) -> Response:
    try:
        address = read(posted.secret("address")[:600])
        key = key_of(desk.settings)
        outbox.add_target(
            desk.registry, posted.text("person", 64), address.way, address.text, shown(address),
            key, viewer.actor, desk.clock(),
        )  # fmt: skip
    except (AddressFault, TargetRefused, CardRefused) as fault:
        return _show(request, desk, viewer, wrong=str(fault), status=422)
    return RedirectResponse("/channels?done=added", 303)


@router.post("/channels/{id}/remove", response_class=HTMLResponse, dependencies=[OWNER])
async def remove(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    await read_form(request, viewer, 4)
    await run_in_threadpool(
        outbox.remove_target, desk.registry, id[:64], viewer.actor, desk.clock()
    )
    return RedirectResponse("/channels?done=removed", 303)


@router.post("/channels/{id}/test", response_class=HTMLResponse, dependencies=[STAFF])
async def test(request: Request, desk: AtDesk, viewer: Looking, id: str) -> Response:
    await read_form(request, viewer, 4)
    return await run_in_threadpool(_test, desk, viewer, id[:64])


def _test(desk: Desk, viewer: Viewer, id: str) -> Response:
    now = desk.clock()
    found = next((t for t in outbox.targets(desk.registry) if t.id == id), None)
    if found is None or (viewer.role != "owner" and found.person != _me(viewer)):
        raise Problem(404, "There is no such address here. The list has them all.")
    cause = f"channel_test:{found.id}"
    subject, body = say.channel_test(desk.settings.firm)
    notice = Notice(
        id=notice_id(cause, str(now), found.person, found.way), cause=cause, step=str(now),
        person=found.person, way=found.way, kind="channel_test", subject=subject, body=body,
        made_at=now, not_before=now, path="/channels",
    )  # fmt: skip
    put_notices(desk.registry, [notice], now)
    return RedirectResponse("/channels?done=tested", 303)
