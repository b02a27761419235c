"""GET /api/due, /api/alerts, /api/readiness and /api/outages: the fleet's lists, and Today's sentence."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query

from dashboard.api.as_of import AsOf, alerts_then, moment_of
from dashboard.api.units import Cursor, Limit
from dashboard.request_context import CurrentScope, Services, TheServices, require
from dashboard.views.alerts import with_age
from dashboard.views.audience import sentence_for
from dashboard.views.due import DuePage, due_view
from dashboard.views.findings import AlertPage, AlertView, OutagePage, alert_view, outage_view
from dashboard.views.readiness import ReadinessCountView, readiness_count
from fleet.findings.mains import where
from fleet.model import Episode, Scope
from fleet.registry import lists
from fleet.registry.lists.unit import UnitRow
from fleet.registry.told import kept_outages

router = APIRouter(prefix="/api", tags=["fleet"], dependencies=[require("reader")])

DueState = Literal["late_beyond", "late", "due", "soon", "later", "unknown"]


@router.get("/due")
def due(
    services: TheServices,
    scope: CurrentScope,
    state: Annotated[list[DueState] | None, Query()] = None,
    until: Annotated[str | None, Query(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$")] = None,
    limit: Limit = 200,
    cursor: Annotated[str | None, Query(pattern=r"^[0-9]{1,9}$")] = None,
) -> DuePage:
    """Due work of the fleet, most pressing first. until: a local date, YYYY-MM-DD."""
    rows = lists.due(services.registry, scope, None, until, state)
    begin = int(cursor or 0)
    items = [due_view(item, unit) for item, unit, _, _ in rows[begin : begin + limit]]
    following = str(begin + limit) if len(rows) > begin + limit else None
    return DuePage(items=items, next=following)


@router.get("/alerts")
def alerts(
    services: TheServices,
    scope: CurrentScope,
    state: Literal["open", "all"] = "open",
    unit: Annotated[str | None, Query(max_length=64)] = None,
    as_of: AsOf = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> AlertPage:
    """Alert episodes with their steps: the open ones gravest first, or all, newest first.

    Open is what is not closed: of `state` returned, it is over and nobody has said they saw it.
    """
    now = services.clock()
    if as_of is None:
        found = lists.episodes(services.registry, scope, state == "open", unit, limit + 1, cursor)
    else:
        now = moment_of(services, as_of)
        stood = alerts_then(services, scope, now, unit)
        begin = next((n + 1 for n, e in enumerate(stood) if e.id == cursor), 0)
        found = stood[begin : begin + limit + 1]
    rows = rows_of(services, scope, [episode.subject for episode in found[:limit]])
    items = tuple(_alert(e, rows.get(e.subject), now, scope) for e in found[:limit])
    return AlertPage(items=items, next=items[-1].id if len(found) > limit else None)


@router.get("/readiness")
def readiness(services: TheServices, scope: CurrentScope) -> ReadinessCountView:
    """How many sets would carry their load if the mains failed everywhere now."""
    return readiness_count(lists.counts(services.registry, scope))


def _alert(episode: Episode, row: UnitRow | None, now: int, scope: Scope) -> AlertView:
    """An alert in its site's zone, with when its value was heard last."""
    if row is None:
        return alert_view(episode, where(episode.finding.facts)[1] or "UTC", now, scope)
    return alert_view(with_age(episode, row.summary), row.site.time_zone, now, scope)


def rows_of(services: Services, scope: Scope, subjects: list[str]) -> dict[str, UnitRow]:
    """The set of each subject that is one."""
    rows: dict[str, UnitRow] = {}
    for subject in dict.fromkeys(subjects):
        kind, _, name = subject.partition(":")
        found = lists.unit(services.registry, scope, name) if kind == "unit" else None
        if found is not None:
            rows[subject] = found
    return rows


@router.get("/outages")
def outages(
    services: TheServices,
    scope: CurrentScope,
    limit: Annotated[int, Query(ge=1, le=100)] = 20,
    cursor: Cursor = None,
) -> OutagePage:
    """Outages, open ones first, then the newest. Sets in the order in which they are to be called:
    without cover, not heard, with little fuel, covered; seconds of cover once the mains is back."""
    found = kept_outages.outages(services.registry, scope, limit + 1, cursor or "")
    now = services.clock()
    items = tuple(outage_view(outage, now, sentence_for(scope)) for outage in found[:limit])
    return OutagePage(items=items, next=found[limit - 1].id if len(found) > limit else None)
