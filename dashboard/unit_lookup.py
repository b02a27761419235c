"""The unit that an address names."""

from __future__ import annotations

from dashboard.deps import Desk
from dashboard.problems import Problem
from fleet.model import Customer, Scope, Site, Unit, UnitSummary
from fleet.registry import lists

Found = tuple[Unit, Site, Customer, UnitSummary | None]


def find(desk: Desk, scope: Scope, unit: str) -> Found:
    """The unit, or Problem 404: what a Scope does not see does not exist."""
    found = lists.unit(desk.registry, scope, unit)
    if found is None:
        raise Problem(404, "There is no unit of that id here. GET /api/units lists them.")
    return found
