"""The waking table: criticality x what was found x mains. The owner decides who is woken."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.posted import Posted, read_form
from dashboard.request_context import CurrentScope, CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from fleet import bounds
from fleet.findings import Concern
from fleet.model import Scope
from fleet.registry.office import duty_rota
from scheduler.alarms.waking import CONCERNS, changed, table

router = APIRouter(include_in_schema=False)
CRITICAL = {"life": "Life depends on it", "business": "Business", "home": "Home"}
MAINS = {"off": "mains off", "on": "mains healthy or not known", "not_sensed": "mains not sensed"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WakingRow:
    """One line of the table. name: of its box in the form; site, mains: when it is meant; wakes:
    whether somebody is woken; changed: whether that is not the default."""

    name: str
    site: str
    mains: str
    wakes: bool
    changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WakingPage:
    """The waking table. n: its number when looked at; concerns: (what was found, its lines)."""

    n: int
    wrong: str
    done: str
    concerns: tuple[tuple[str, tuple[WakingRow, ...]], ...]
    may: bool


DONE = {"changed": "Changed. It holds from now on."}


@router.get(
    "/waking",
    response_class=HTMLResponse,
    dependencies=[require("technician", right="read", whole=True)],
)
def waking(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    done: str = "",
) -> HTMLResponse:
    return _show(request, services, viewer, scope, done=DONE.get(done, ""))


def _show(
    request: Request,
    services: Services,
    viewer: Viewer,
    scope: Scope,
    wrong: str = "",
    status: int = 200,
    done: str = "",
) -> HTMLResponse:
    held, n = duty_rota.waking(services.registry)
    rows: dict[Concern, list[WakingRow]] = {concern: [] for concern in CONCERNS}
    for concern, criticality, mains, woken, default in table(held):
        rows[concern].append(
            WakingRow(
                name=f"{concern}.{criticality}.{mains}",
                site=CRITICAL[criticality],
                mains=MAINS[mains],
                wakes=woken,
                changed=woken != default,
            )
        )
    view = WakingPage(
        n=n,
        wrong=wrong,
        done=done,
        concerns=tuple((CONCERNS[concern], tuple(found)) for concern, found in rows.items()),
        may=viewer.kind == "person" and viewer.role == "owner",
    )
    return frames.render(request, scope, "alerts/waking.html", "alerts", view, status)


@router.post(
    "/waking",
    response_class=HTMLResponse,
    dependencies=[require("owner", right=None, person=True)],
)
async def change(request: Request, services: TheServices, viewer: CurrentViewer) -> Response:
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_change, request, services, viewer, posted)


def _change(request: Request, services: Services, viewer: Viewer, posted: Posted) -> Response:
    held, n = duty_rota.waking(services.registry)
    asked = posted.text("n", 20)
    ticked = set(posted.every("wake"))
    chosen = [
        (concern, criticality, mains, f"{concern}.{criticality}.{mains}" in ticked)
        for concern, criticality, mains, _, _ in table(held)
    ]
    try:
        duty_rota.agree_waking(
            services.registry,
            changed(chosen),
            bounds.whole_or(asked, n),
            viewer.actor,
            services.clock(),
        )
    except duty_rota.AgreedMeanwhile as fault:
        return _show(request, services, viewer, viewer.scope, str(fault), 409)
    return RedirectResponse("/waking?done=changed", 303)
