"""GET /api/quarantine and /api/devices/{device}/wire: what could not be taken, and why."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from dashboard.api.units import Limit
from dashboard.bounds import RowNumber
from dashboard.problems import Problem, ProblemDocument
from dashboard.request_context import CurrentScope, TheServices, require
from dashboard.views.service import (
    DeviceWireView,
    QuarantinePage,
    device_wire,
    quarantine_view,
)
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


@router.get("/devices/{device}/wire", responses={404: {"model": ProblemDocument}})
def wire(services: TheServices, scope: CurrentScope, device: str) -> DeviceWireView:
    """What of a device's messages was forgiven and refused: how often, why, with examples."""
    registry = services.registry
    found = next((one for one in lists.devices(registry, scope) if one[0].device == device), None)
    if found is None:
        raise Problem(404, "There is no device of that id here. GET /api/units names them.")
    counts = lists.quarantine_counts(registry, scope)
    over = sum(count.over for count in counts if count.device == device)
    return device_wire(*found, lists.refused(registry, scope, device), over)
