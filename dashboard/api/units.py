"""GET /api/units, /api/units/{unit} and what was worked out about one unit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, TypeVar

from fastapi import APIRouter, Query

from dashboard import logbook
from dashboard.api.times import From, To, span
from dashboard.problems import ProblemDocument
from dashboard.request_context import CurrentScope, RowNumber, TheServices, find_unit, require
from dashboard.views.due import DuePage, due_view
from dashboard.views.runs import RunPage, StartPage, run_views, start_view
from dashboard.views.units import UnitFullView, UnitPage, unit_full, unit_view
from fleet.model import Condition, Readiness, Severity
from fleet.registry import lists
from scheduler import assess

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": ProblemDocument}},
)

T = TypeVar("T")
Limit = Annotated[int, Query(ge=1, le=500)]
Cursor = Annotated[str | None, Query(max_length=80)]


@router.get("")
def units(
    services: TheServices,
    scope: CurrentScope,
    search: Annotated[str, Query(max_length=100)] = "",
    area: Annotated[str | None, Query(max_length=100)] = None,
    condition: Condition | None = None,
    severity: Severity | None = None,
    readiness: Readiness | None = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> UnitPage:
    """Units by id: condition, readiness, mains, findings with facts and sentence, engine hours, next due."""
    rows = lists.units(
        services.registry,
        scope,
        search,
        area,
        limit + 1,
        cursor,
        condition=condition,
        severity=severity,
        readiness=readiness,
    )
    now = services.clock()
    items = [unit_view(*row, now, scope) for row in rows[:limit]]
    return UnitPage(items=items, next=items[-1].unit if len(rows) > limit else None)


@router.get("/{unit}")
def one(services: TheServices, scope: CurrentScope, unit: str) -> UnitFullView:
    """One unit: what the list says, and its last readings, due work, habit and blind spots."""
    return unit_full(services, scope, *find_unit(services, scope, unit))


@router.get("/{unit}/runs")
def runs(
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    from_: From = None,
    to: To = None,
    limit: Limit = 100,
    cursor: RowNumber | None = None,
) -> RunPage:
    """Runs newest first. Without `from`: the last 365 days."""
    summary = find_unit(services, scope, unit)[3]
    start, end = span(from_, to, services.clock(), days=365)
    days = logbook.days_of(services.registry, scope, unit, start, end + 86_400)
    doc = lists.assessment(services.registry, scope, unit)
    verdict = assess.read(doc)
    reasons = verdict.reasons if verdict else ()
    found = run_views(logbook.runs_of(days, summary, start, end, reasons), reasons)[::-1]
    held, following = _before(found, lambda run: run.start, cursor, limit)
    return RunPage(items=held, next=following)


@router.get("/{unit}/starts")
def starts(
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    from_: From = None,
    to: To = None,
    limit: Limit = 100,
    cursor: RowNumber | None = None,
) -> StartPage:
    """Start demands newest first. Without `from`: the last 365 days."""
    summary = find_unit(services, scope, unit)[3]
    start, end = span(from_, to, services.clock(), days=365)
    days = logbook.days_of(services.registry, scope, unit, start, end + 86_400)
    found = logbook.starts_of(days, summary, start, end)[::-1]
    held, following = _before(found, lambda demand: demand.at, cursor, limit)
    return StartPage(items=[start_view(s) for s in held], next=following)


def _before(
    found: Sequence[T], moment: Callable[[T], int], cursor: int | None, limit: int
) -> tuple[Sequence[T], str | None]:
    """A page of what is before the cursor, newest first, and the cursor of the next page."""
    held = [one for one in found if cursor is None or moment(one) < cursor]
    return held[:limit], str(moment(held[limit - 1])) if len(held) > limit else None


@router.get("/{unit}/due")
def due(services: TheServices, scope: CurrentScope, unit: str) -> DuePage:
    """Due work of one unit, most pressing first."""
    find_unit(services, scope, unit)
    rows = lists.due(services.registry, scope, unit)
    return DuePage(items=[due_view(item, of) for item, of, _, _ in rows], next=None)
