"""Due: what is due, when and why; late, this week, later."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.request_context import LIVE, CurrentScope, CurrentViewer, TheServices
from dashboard.views import agreements, due, reminders
from fleet import calendar
from fleet.registry import lists

router = APIRouter(include_in_schema=False, dependencies=LIVE)

HORIZONS = {"7": "a week", "30": "30 days", "90": "90 days", "": "everything"}
ROWS_AT_MOST = 400
"""Rows of a table. A page's length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DueScreen:
    """The Due page: what was asked for (work, area, days ahead), what can be, and what is due.

    cut: rows left out; units: sets in the register. now: UTC seconds.
    """

    now: int
    groups: list[due.DueGroup]
    cut: int
    units: int
    work: str
    works: list[str]
    area: str
    areas: list[str]
    days: str
    horizons: dict[str, str]
    reminders: reminders.Reminders
    agreements: list[agreements.AgreementDue]

    @property
    def filtered(self) -> bool:
        """Whether only some work or one area was asked for."""
        return bool(self.work or self.area)


@router.get("/due", response_class=HTMLResponse)
def page(
    request: Request,
    services: TheServices,
    scope: CurrentScope,
    viewer: CurrentViewer,
    work: Annotated[str, Query(max_length=100)] = "",
    area: Annotated[str, Query(max_length=100)] = "",
    days: str = "30",
) -> HTMLResponse:
    now = services.clock()
    days = days if days in HORIZONS else "30"
    until = None
    if days:
        until = (calendar.local_date(now, "UTC") + timedelta(days=int(days))).isoformat()
    found = lists.due(services.registry, scope, None, until)
    chosen = [
        row
        for row in found
        if (not work or row[0].name == work) and (not area or row[1].area == area)
    ]
    office = viewer.role in ("office", "owner")
    view = DueScreen(
        now=now,
        groups=due.grouped(chosen[:ROWS_AT_MOST], now),
        cut=max(0, len(chosen) - ROWS_AT_MOST),
        units=lists.counts(services.registry, scope).units,
        work=work,
        works=sorted({row[0].name for row in found} | ({work} if work else set())),
        area=area,
        areas=sorted({row[1].area for row in found if row[1].area} | ({area} if area else set())),
        days=days,
        horizons=HORIZONS,
        reminders=reminders.of_fleet(services, scope, now),
        agreements=agreements.to_look_after(services, scope, now) if office else [],
    )
    return frames.render(request, scope, "due.html", "due", view)
