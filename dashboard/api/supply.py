"""GET /api/units/{unit}/supply: volts and hertz with their bands, the last run and their drift."""

from __future__ import annotations

from fastapi import APIRouter

from dashboard.problems import ProblemDocument
from dashboard.request_context import CurrentScope, TheServices, find_unit, require
from dashboard.views.supply import SupplyView, supply_view
from fleet.registry import lists
from scheduler import assess
from scheduler.rules.supply import SupplySeen

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": ProblemDocument}},
)


@router.get("/{unit}/supply")
def supply(services: TheServices, scope: CurrentScope, unit: str) -> SupplyView:
    """Volts and hertz of a unit: the last run on its band, what is usual, how they drift."""
    find_unit(services, scope, unit)
    verdict = assess.read(lists.assessment(services.registry, scope, unit))
    return supply_view(unit, verdict.supply if verdict else SupplySeen())
