"""Out of tolerance: every set whose volts or hertz are out or on their way out, worst first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.request_context import LIVE, CurrentScope, TheServices
from dashboard.views.audience import sentence_for
from dashboard.views.tolerance import OffGroup, Row, grouped, lines
from fleet.model import Scope
from fleet.registry import lists
from fleet.registry.base.engine import Registry

router = APIRouter(include_in_schema=False, dependencies=LIVE)

ROWS_AT_MOST = 400
"""Rows of a table. A page's length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceScreen:
    """The page of what is out of tolerance. sets: that have a finding; cut: findings left out;
    units: sets in the register. now: UTC seconds."""

    now: int
    groups: list[OffGroup]
    sets: int
    cut: int
    units: int


@router.get("/tolerance", response_class=HTMLResponse)
def tolerance(request: Request, services: TheServices, scope: CurrentScope) -> HTMLResponse:
    now = services.clock()
    found = [
        line
        for row in rows(services.registry, scope)
        for line in lines(row, now, sentence_for(scope))
    ]
    found.sort(key=lambda line: line.order)
    shown = found[:ROWS_AT_MOST]
    view = ToleranceScreen(
        now=now,
        groups=grouped(shown),
        sets=len({line.set.id for line in found}),
        cut=len(found) - len(shown),
        units=lists.counts(services.registry, scope).units,
    )
    return frames.render(request, scope, "tolerance.html", "more", view)


def rows(registry: Registry, scope: Scope) -> Iterable[Row]:
    """Every unit the reader may see."""
    cursor = None
    while True:
        found = lists.units(registry, scope, limit=1000, cursor=cursor)
        yield from found
        if len(found) < 1000:
            return
        cursor = found[-1][0].id
