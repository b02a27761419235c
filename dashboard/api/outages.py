"""GET /api/outages: outages and how each set of the caller's scope fares in them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from dashboard.api.units import Cursor
from dashboard.request_context import CurrentScope, TheServices, require
from dashboard.views.findings import OutagePage, outage_view
from fleet.registry.told import kept_outages

router = APIRouter(prefix="/api", tags=["fleet"], dependencies=[require("reader")])


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
    items = tuple(outage_view(outage, now) for outage in found[:limit])
    return OutagePage(items=items, next=found[limit - 1].id if len(found) > limit else None)
