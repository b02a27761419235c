"""A person's quiet hours: everyone their own, the owner anybody's. Their form stands on How people are reached."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard.pages.alerts import channels
from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from fleet import bounds
from fleet.registry.office import duty_rota, quiet_hours
from fleet.registry.office.quiet_hours import QuietHoursRefused

router = APIRouter(include_in_schema=False)


@router.post(
    "/channels/quiet",
    response_class=HTMLResponse,
    dependencies=[require("technician", right=None, person=True)],
)
async def change(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer, 8)
    return await run_in_threadpool(_change, request, services, viewer, posted)


def _change(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    mine = channels.me(viewer)
    person = posted.text("person", 64) or mine
    known = {c.person for c in duty_rota.contacts(services.registry)}
    if person not in known or (viewer.role != "owner" and person != mine):
        raise Problem(404, channels.NOBODY)
    typed = posted.text("begins", 9), posted.text("ends", 9)
    held = quiet_hours.of_person(services.registry, person)[1]
    n = bounds.whole_or(posted.text("n", 20), held)
    try:
        wanted = quiet_hours.read(*typed)
        quiet_hours.agree(services.registry, person, wanted, n, viewer.actor, services.clock())
    except QuietHoursRefused as fault:
        return channels.show(
            request, services, viewer, wrong=str(fault), status=422, whose=person, typed=typed
        )
    except duty_rota.AgreedMeanwhile as fault:
        return channels.show(request, services, viewer, wrong=str(fault), status=409, whose=person)
    return RedirectResponse("/channels?done=quiet", 303)
