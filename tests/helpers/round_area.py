"""One invented area and its plan, for tests of plans. A plugin: `pytest_plugins = ["round_area"]`."""

from __future__ import annotations

import pytest
from round_cases import changed, planned
from rounds.instances import make

from scheduler.rounds import Limits, PlanRequest, RoundPlan


@pytest.fixture(scope="session")
def area() -> PlanRequest:
    """Sixty invented sites, three technicians, ten days."""
    return changed(make(60, 3), limits=Limits(iterations=250))


@pytest.fixture(scope="session")
def made(area: PlanRequest) -> RoundPlan:
    """Its plan, checked."""
    return planned(area)
