"""GET /api/units, /api/units/{unit} and what was worked out about one unit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Annotated, TypeVar

from fastapi import APIRouter, Query

from dashboard import logbook
from dashboard.api.as_of import AsOf, alerts_then, moment_of, then
from dashboard.api.times import From, To, seconds, span
from dashboard.problems import Problem, ProblemDocument
from dashboard.request_context import CurrentScope, RowNumber, TheServices, find_unit, require
from dashboard.views.due import DuePage, due_view
from dashboard.views.findings import alert_view
from dashboard.views.runs import (
    HoursThenView,
    RunPage,
    StartPage,
    hours_then,
    run_views,
    start_view,
)
from dashboard.views.units import KnownView, UnitFullView, UnitPage, unit_full, unit_view
from fleet.model import Condition, Readiness, Severity
from fleet.registry import lists
from fleet.registry.lists.unit import UnitRow
from scheduler import assess

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": ProblemDocument}},
)

T = TypeVar("T")
KnownAt = Annotated[datetime, Query(description="ISO 8601 with a zone")]
HoursAt = Annotated[datetime, Query(description="a past moment, ISO 8601 with a zone")]
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
    as_of: AsOf = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> UnitPage:
    """Units by id: condition, readiness, mains, findings with facts and sentence, engine hours, next due."""
    if as_of is not None and (condition, severity, readiness) != (None, None, None):
        raise Problem(422, "as_of takes no condition, severity or readiness: those are of now.")
    now = services.clock() if as_of is None else moment_of(services, as_of)
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
    if as_of is not None:
        rows = then(services, rows, now)
    items = [unit_view(*row, now, scope) for row in rows[:limit]]
    return UnitPage(items=items, next=items[-1].unit if len(rows) > limit else None)


@router.get("/{unit}")
def one(services: TheServices, scope: CurrentScope, unit: str) -> UnitFullView:
    """One unit: what the list says, and its last readings, due work, habit and blind spots."""
    return unit_full(services, scope, *find_unit(services, scope, unit))


@router.get("/{unit}/known")
def known(services: TheServices, scope: CurrentScope, unit: str, as_of: KnownAt) -> KnownView:
    """What was known of a unit at a moment, and the alerts that stood; of a followed recording only."""
    at = moment_of(services, as_of)
    row = UnitRow(*find_unit(services, scope, unit))
    (told,) = then(services, [row], at)
    stood = alerts_then(services, scope, at, unit)
    return KnownView(
        at=at,
        known_at=told.summary.at if told.summary is not None else None,
        unit=unit_view(*told, at, scope),
        alerts=tuple(alert_view(e, told.site.time_zone, at, scope) for e in stood),
    )


@router.get("/{unit}/hours")
def hours(services: TheServices, scope: CurrentScope, unit: str, at: HoursAt) -> HoursThenView:
    """Engine hours at a past moment, as they are known now; null: they could not have been seen."""
    find_unit(services, scope, unit)
    moment, now = seconds(at, "at"), services.clock()
    if moment > now:
        raise Problem(422, "at lies ahead: /due says when work is likely due.")
    inputs = lists.inputs(services.registry, scope, unit)
    verdict = assess.read(lists.assessment(services.registry, scope, unit))
    if inputs is None or verdict is None:
        return hours_then(unit, moment, None)
    days = logbook.days_of(services.registry, scope, unit, 0, verdict.at + 86_400)
    return hours_then(unit, moment, assess.hours_at(inputs, days, moment, verdict.at))


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
