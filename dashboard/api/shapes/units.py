"""Sets, their readings and whether they would start."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from dashboard.api.shapes.health import BatteryOut, FuelOut
from dashboard.api.shapes.ran import (
    DueOut,
    DutyOut,
    FindingOut,
    HarderOut,
    HoursOut,
    Page,
    RunOut,
    ShareOut,
    StartOut,
)


class MainsOut(BaseModel):
    """The mains at the site. state unknown: not wired, or stale; `last` is what was said last, and
    the moments belong to it: it came in (since_earliest, since], and was last reported at `at`."""

    state: str
    last: str
    since: datetime | None
    since_earliest: datetime | None
    at: datetime | None


class ReadinessOut(BaseModel):
    """Would it start now and carry its load: its word, what decided it, and its proof."""

    state: str = Field(description="ready, doubtful, not_ready, unknown or set_aside")
    why: str = Field(description="what decided it")
    others: list[str] = Field(description="what else says the same")
    since: datetime | None
    proof_at: datetime | None = Field(description="newest run that began by itself")
    proof_why: str
    proof_sure: bool
    proof_v: float | None
    proof_limit_s: int | None
    hand_at: datetime | None
    blind: list[str] = Field(description="what is not wired: not seen, never good")
    sentence: str


class ReadinessCountOut(BaseModel):
    """Today's sentence as numbers; the five words together are all units."""

    units: int
    ready: int
    doubtful: int
    not_ready: int
    unknown: int
    unknown_silent: int
    unknown_too_new: int
    set_aside: int


class UnitOut(BaseModel):
    unit: str
    site: str
    site_name: str
    customer: str
    customer_name: str
    area: str
    address: str
    time_zone: str
    condition: str | None = Field(description="null: too new, not assessed yet")
    condition_since: datetime | None
    heard_at: datetime | None
    newest_at: datetime | None
    engine_hours: HoursOut | None
    findings: list[FindingOut]
    last_run: RunOut | None
    last_start: StartOut | None
    next_due: DueOut | None
    readiness: ReadinessOut | None = Field(default=None, description="null: not looked at yet")
    mains: MainsOut | None = None
    adopted: bool = Field(default=False, description="no meter has been on its volts yet")
    learning_until: datetime | None = Field(default=None, description="null: over")


class ReadingNow(BaseModel):
    channel: str
    unit: str = Field(description="unit of the value; the channel's name carries it too")
    value: float
    at: datetime
    calibrated: bool


class HabitOut(BaseModel):
    mode: str
    standing_s: int
    running_s: int
    heartbeat_s: int
    source: str


class PopulationOut(BaseModel):
    n: int
    low: float
    high: float
    mean: float
    sd: float


class SignalOut(BaseModel):
    """A proposal (on, off) or a refusal (refused, sentence) for one channel."""

    channel: str
    proposed: bool
    on: float | None = None
    off: float | None = None
    refused: str | None = None
    sentence: str = ""
    notes: list[str] = []
    rest: PopulationOut | None = None
    running: PopulationOut | None = None


class UnitFullOut(UnitOut):
    fuel: FuelOut | None = None
    battery: BatteryOut | None = None
    devices: list[str]
    register_facts: dict[str, Any] = Field(description="the register's row of this unit")
    readings: list[ReadingNow]
    due: list[DueOut]
    habit: HabitOut | None
    gap_s: int | None
    silent_limit_s: int | None
    blind_spots: list[str]
    starts_unit: ShareOut | None = Field(default=None, description="a year of this set")
    starts_model: ShareOut | None = Field(default=None, description="of all sets of its model")
    starts_fleet: ShareOut | None = Field(default=None, description="of all sets")
    harder_starting: list[HarderOut] = []
    harder_not_judged: str = Field(default="", description="why not, where it is not judged")
    duty: DutyOut | None = None


class ReadingsOut(BaseModel):
    channel: str
    unit: str
    calibrated: bool = Field(description="false: raw values were asked for")
    bucket_s: int | None = Field(description="null: readings as they came; else bucket width")
    at: list[datetime] = Field(description="time of the reading, or start of the bucket")
    value: list[float | None] | None = None
    min: list[float | None] | None = None
    max: list[float | None] | None = None
    mean: list[float | None] | None = None
    last: list[float | None] | None = None
    count: list[int] | None = None


class UnitPage(Page):
    items: list[UnitOut]


class UnsureOut(BaseModel):
    readings: int
    first_at: datetime = Field(description="they stand at this second and the ones after it")
    last_at: datetime
    after_at: datetime | None = Field(description="measured after; null: nothing heard before")
    before_at: datetime = Field(description="measured by: their receipt")


class ReadingsPage(Page):
    items: list[ReadingsOut]
    time_unknown: list[UnsureOut] = Field(
        description="readings whose time is not known: messages without a time that lay at the "
        "broker, or came in a burst"
    )


class SignalPage(Page):
    items: list[SignalOut]
    cautions: list[str]
