"""GET /api/units/{unit}/exercise: what was agreed, what became of it, hours by reason."""

from __future__ import annotations

from fastapi import APIRouter

from dashboard.problems import ProblemDocument
from dashboard.request_context import CurrentScope, TheServices, find_unit, require
from dashboard.views.exercise import ExerciseView, exercise_view
from fleet.registry import lists
from scheduler import assess

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": ProblemDocument}},
)


@router.get("/{unit}/exercise")
def exercise(services: TheServices, scope: CurrentScope, unit: str) -> ExerciseView:
    """Verdicts on the agreed exercise with what they stand on, newest first; hours by reason."""
    found = find_unit(services, scope, unit)[0]
    return exercise_view(found, assess.read(lists.assessment(services.registry, scope, unit)))
