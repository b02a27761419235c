"""GET /api/units/{unit}/exercise: what was agreed, what became of it, hours by reason."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import msgspec
from fastapi import APIRouter
from pydantic import BaseModel, Field

from dashboard.api import shapes
from dashboard.deps import AtDesk, Reader, require
from dashboard.one_unit import find
from fleet.registry import pages
from scheduler import assess

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": shapes.ProblemOut}},
)


class ExerciseVerdictOut(BaseModel):
    """One occurrence. due_at: as agreed; expected_at: by the set's own clock."""

    due_at: datetime
    wall: str = Field(description="agreed time on the site's wall, no zone")
    expected_at: datetime
    verdict: str
    confidence: str
    by: str
    run_start: datetime | None
    length_s: int | None
    mean_kw: float | None
    peak_kw: float | None
    ran: bool
    ran_at: datetime | None
    reason: str


class YearOut(BaseModel):
    """Hours of runs by reason in a calendar year of the site's zone."""

    year: int
    since: str
    exercise_h: float
    outage_h: float
    by_hand_h: float
    unknown_h: float
    testing_h: float = Field(description="exercise and by hand")
    total_h: float
    unseen_h: float = Field(description="gained by the hour meter beyond the runs seen")


class LightLoadOut(BaseModel):
    runs: int
    since_at: datetime
    hours_h: float


class ByItselfOut(BaseModel):
    at: datetime
    by_itself: str
    why: str
    confidence: str


class ExerciseOut(BaseModel):
    unit: str
    rule: str = Field(description="RFC 5545, local time of the site; empty: none agreed")
    refusal: str
    length_min: float | None
    load_pct: float | None
    next_at: datetime | None
    next_wall: str
    offset_s: int | None = Field(
        description="the set's own time less the agreed; null: not learned"
    )
    items: list[ExerciseVerdictOut] = Field(description="the newest 12, newest first")
    years: list[YearOut]
    light_load: LightLoadOut | None = Field(description="diesels under 30 % of nameplate in a row")
    last_by_itself: ByItselfOut | None
    next: str | None = None


@router.get("/{unit}/exercise", response_model=ExerciseOut)
def exercise(desk: AtDesk, scope: Reader, unit: str) -> Any:
    """Verdicts on the agreed exercise with what they stand on, newest first; hours by reason."""
    found = find(desk, scope, unit)[0]
    doc = pages.assessment(desk.registry, scope, unit)
    verdict = assess.read(doc)
    held = verdict.exercise if verdict else None
    return ExerciseOut.model_validate(
        {
            "unit": unit,
            "rule": found.exercise,
            "refusal": held.refusal if held else "",
            "length_min": found.exercise_minutes,
            "load_pct": found.exercise_load,
            "next_at": held.next_at if held else None,
            "next_wall": held.next_wall if held else "",
            "offset_s": held.offset_s if held else None,
            "items": [msgspec.structs.asdict(v) for v in reversed(held.last)] if held else [],
            "years": [
                msgspec.structs.asdict(y) | {"testing_h": y.testing_h, "total_h": y.total_h}
                for y in (verdict.years if verdict else ())
            ],
            "light_load": msgspec.structs.asdict(verdict.light_load)
            if verdict and verdict.light_load
            else None,
            "last_by_itself": msgspec.structs.asdict(verdict.by_itself)
            if verdict and verdict.by_itself
            else None,
        }
    )
