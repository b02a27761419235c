"""GET /api/units/{unit}/supply: volts and hertz with their bands, the last run and their drift."""

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
from scheduler.rules.supply import Measured, SupplySeen

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": shapes.ProblemOut}},
)


class DriftOut(BaseModel):
    """How it moved from the first runs, in its unit; crosses_*: when it would leave its band."""

    runs: int
    base: int = Field(description="runs taken as commissioned")
    from_at: datetime
    to_at: datetime
    moved: float
    per_month: float
    per_month_low: float | None
    per_month_high: float | None
    share: float = Field(description="of the way to its limit")
    by: str = Field(description="what like was compared with like on")
    found: bool
    crosses_from: datetime | None
    crosses_at: datetime | None
    crosses_to: datetime | None


class MeasuredOut(BaseModel):
    """One quantity, in `unit`: V or Hz."""

    unit: str
    channel: str
    nominal: float
    low: float
    high: float
    band: str = Field(description="whose limits these are")
    last: float | None = Field(description="median of the newest run with settled samples")
    last_at: datetime | None
    samples: int
    width_pct: float | None = Field(description="of the hertz inside that run, of nominal")
    usual_low: float | None
    usual_high: float | None
    runs: int
    as_a_supply: str = Field(description="beside what a network would deliver; never a limit")
    out: bool
    since: datetime | None = Field(
        description="from when its history counts: its device, calibration or a part was changed"
    )
    checked: bool = Field(description="a meter was on it since its device was fitted")
    not_judged: str
    drift: DriftOut | None
    drift_not_judged: str


class SupplyOut(BaseModel):
    unit: str
    volts: MeasuredOut | None
    hertz: MeasuredOut | None
    out_at_last_run: bool
    unbalance_pct: float | None = Field(description="NEMA MG 1, line to line")
    standing_untold: bool = Field(
        description="volts on a standing set could not be told from a run"
    )
    wrong_nominal: list[float]


@router.get("/{unit}/supply", response_model=SupplyOut)
def supply(desk: AtDesk, scope: Reader, unit: str) -> Any:
    """Volts and hertz of a unit: the last run on its band, what is usual, how they drift."""
    find(desk, scope, unit)
    doc = pages.assessment(desk.registry, scope, unit)
    verdict = assess.read(doc)
    seen = verdict.supply if verdict else SupplySeen()
    return SupplyOut.model_validate(
        {
            "unit": unit,
            "volts": measured(seen.volts, "V") if seen.volts else None,
            "hertz": measured(seen.hertz, "Hz") if seen.hertz else None,
            "out_at_last_run": seen.out_at_last_run,
            "unbalance_pct": seen.unbalance_pct,
            "standing_untold": seen.standing_untold,
            "wrong_nominal": [n for n in (seen.wrong_volts, seen.wrong_hertz) if n is not None],
        }
    )


def measured(one: Measured, unit: str) -> dict[str, Any]:
    """One quantity as a program reads it."""
    drift = None
    if one.drift is not None:
        drift = msgspec.structs.asdict(one.drift) | {
            "per_month_low": one.drift.low,
            "per_month_high": one.drift.high,
        }
    return msgspec.structs.asdict(one) | {
        "unit": unit,
        "nominal": one.band.nominal,
        "low": one.band.low,
        "high": one.band.high,
        "band": one.band.by,
        "samples": one.n,
        "as_a_supply": one.supply,
        "drift": drift,
    }
