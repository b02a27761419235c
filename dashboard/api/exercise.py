"""GET /api/units/{unit}/exercise: what was agreed, what became of it, hours by reason."""

from __future__ import annotations

from fastapi import APIRouter

from dashboard import logbook
from dashboard.api.units import Limit
from dashboard.problems import ProblemDocument
from dashboard.request_context import CurrentScope, RowNumber, TheServices, find_unit, require
from dashboard.views.exercise import ExerciseView, exercise_view
from fleet.calendar import DAY_S
from fleet.registry import lists
from scheduler import assess
from scheduler.rules.exercise.exercise_verdict import SHOWN

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": ProblemDocument}},
)


@router.get("/{unit}/exercise")
def exercise(
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    limit: Limit = SHOWN,
    cursor: RowNumber | None = None,
) -> ExerciseView:
    """Verdicts on the agreed exercise with what they stand on, newest first; hours by reason."""
    found = find_unit(services, scope, unit)[0]
    verdict = assess.read(lists.assessment(services.registry, scope, unit))
    newest = verdict.exercise.last if verdict and verdict.exercise else ()
    if verdict is not None and newest and (cursor is not None or limit > SHOWN):
        at = verdict.at
        inputs = lists.inputs(services.registry, scope, unit)
        days = logbook.days_of(services.registry, scope, unit, 0, at + DAY_S)
        newest = assess.exercises(inputs, days, at) if inputs is not None else newest
    held = [v for v in reversed(newest) if cursor is None or v.due_at < cursor]
    more = len(held) > limit or (cursor is None and limit == SHOWN == len(held))
    following = str(held[:limit][-1].due_at) if more else None
    return exercise_view(found, verdict, held[:limit], following)
