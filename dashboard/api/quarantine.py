"""GET /api/quarantine: what could not be taken, with its reason."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from dashboard.api.units import Limit
from dashboard.request_context import CurrentScope, RowNumber, TheServices, require
from dashboard.views.service import QuarantinePage, quarantine_view
from fleet.registry import lists

router = APIRouter(prefix="/api", tags=["service"], dependencies=[require("reader", whole=True)])


@router.get("/quarantine")
def quarantine(
    services: TheServices,
    scope: CurrentScope,
    device: Annotated[str | None, Query(max_length=64)] = None,
    limit: Limit = 100,
    cursor: RowNumber | None = None,
) -> QuarantinePage:
    """Messages set aside, newest first."""
    rows = lists.quarantine(services.registry, scope, device, limit + 1, cursor)
    items = [quarantine_view(row) for row in rows[:limit]]
    return QuarantinePage(items=items, next=str(items[-1].id) if len(rows) > limit else None)
