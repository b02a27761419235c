"""The unit that an address names."""

from __future__ import annotations

from dashboard.problems import Problem
from dashboard.request_context import Services
from fleet.model import Customer, Scope, Site, Unit, UnitSummary
from fleet.registry import lists

Found = tuple[Unit, Site, Customer, UnitSummary | None]


def find(services: Services, scope: Scope, unit: str) -> Found:
    """The unit, or Problem 404: what a Scope does not see does not exist."""
    found = lists.unit(services.registry, scope, unit)
    if found is None:
        raise Problem(404, "There is no unit of that id here. GET /api/units lists them.")
    return found
