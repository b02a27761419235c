"""What a set did and what is due: findings, runs, starts, hours, due work."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from pydantic import BaseModel, Field, WithJsonSchema

from dashboard.api import facts


class FindingOut(BaseModel):
    kind: str
    part: str
    severity: str
    since: datetime
    learned_at: datetime | None
    facts: Annotated[dict[str, Any], WithJsonSchema(facts.schema())]
    title: str
    sentence: str
    cautions: list[str]


class RunOut(BaseModel):
    start: datetime
    end: datetime | None = Field(description="null: still running")
    start_seen: str
    end_seen: str
    end_latest: datetime | None
    length_s: int | None
    longest_gap_s: int
    bridged_by_meter: bool
    readings: int
    why: str
    confidence: str
    by_itself: str = Field(
        default="unknown", description="yes, likely, no or unknown: what began it (400 days back)"
    )
    by_itself_confidence: str = "low"
    energy_kwh: float | None
    peak_load_kw: float | None


class StartOut(BaseModel):
    at: datetime
    learned_at: datetime | None
    attempts: int
    end: str
    run_start: datetime | None
    crank_s: float | None
    crank_min_v: float | None
    cause: str
    seen_by: list[str]


class HoursOut(BaseModel):
    hours_h: float | None
    uncertain_h: float
    source: str
    anchor_at: datetime | None
    anchor_h: float | None
    note: str


class DueOut(BaseModel):
    unit: str
    site: str
    customer: str
    task: str
    name: str
    state: str
    binds: str
    share: float
    reason: str
    due_on: str | None
    due_at_hours_h: float | None
    hours_now_h: float | None
    hours_used_h: float | None
    hours_left_h: float | None
    every_h: float | None
    every_months: int | None
    last_done_on: str | None
    last_done_hours_h: float | None
    days_left_d: int | None
    late_days_d: int | None
    late_hours_h: float | None
    length_min: int
    parts: dict[str, float]
    likely_from: str | None = Field(default=None, description="10 % chance of being due by then")
    likely_on: str | None = Field(default=None, description="even chance; null: by calendar only")
    likely_to: str | None = Field(default=None, description="90 % chance; null: beyond 730 days")


class ShareOut(BaseModel):
    """Share of start demands that started, with its interval (Jeffreys)."""

    units: int
    demands: int
    failed: int
    started_share: float
    low_share: float
    high_share: float
    confidence_share: float


class HarderOut(BaseModel):
    """Crank seconds or attempts, as `measure` says, over time at like temperature."""

    measure: str
    before: float
    now: float
    per_day: float
    per_day_low: float
    per_day_high: float
    p: float
    n: int
    from_at: datetime
    to_at: datetime
    temp_c: float
    found: bool


class DutyOut(BaseModel):
    """Since the last oil change. heavy_h null: the load is not measured."""

    since: datetime
    runs: int
    short_cold: int
    hours_h: float
    heavy_h: float | None


class Page(BaseModel):
    next: str | None = Field(default=None, description="hand in as `cursor` for the next page")


class RunPage(Page):
    items: list[RunOut]


class StartPage(Page):
    items: list[StartOut]


class DuePage(Page):
    items: list[DueOut]
