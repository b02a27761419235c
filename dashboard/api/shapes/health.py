"""Battery and fuel of a set."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field


class FuelOut(BaseModel):
    """Fuel: smoothed level, and how long it lasts at load_share of the rating."""

    level_pct: float | None
    at: datetime | None
    left_share: float | None = Field(description="of what can be burnt")
    litres_l: float | None
    hours_h: float | None
    load_share: float | None
    at_load: str
    l_per_h: float | None
    by: str = Field(description="chart, energy, trend, supplied, or empty: not known")
    reason: str
    factor: float | None
    refill_at: datetime | None
    agreed_h: float | None
    agreed: bool


class RestOut(BaseModel):
    at: datetime | None
    volts_v: float | None
    rested_s: int | None
    charge_pct: float | None = Field(description="by a table for its chemistry; null: none")
    reason: str


class ChargeOut(BaseModel):
    kind: str = Field(description="as the register says, else as its volts tell")
    asked: str
    learned: str
    watched_d: int = Field(validation_alias="days", description="days with volts")
    usual_low_v: float | None
    usual_high_v: float | None
    fault: str = Field(description="low, over, running_down or empty")
    fault_since: datetime | None
    mains_seen: bool
    left_d: float | None = Field(
        validation_alias="days_left", description="until it may no longer crank, as it sags now"
    )
    left_low_d: float | None = Field(validation_alias="days_left_low")
    left_high_d: float | None = Field(validation_alias="days_left_high")
    reason: str


class CrankingOut(BaseModel):
    at: datetime | None
    volts_v: float | None = Field(description="lowest 0.1 s mean of the newest measured start")
    temp_c: float | None
    limit_v: float | None
    healthy_at: datetime | None = Field(description="a healthy start within 8 C of it")
    healthy_v: float | None
    healthy_temp_c: float | None
    starts: int
    below: int = Field(description="of the newest three, those under their limit")
    reason: str


class BatteryTrendOut(BaseModel):
    measure: str
    per_month_v: float
    low_v: float
    high_v: float
    falling: bool
    chance: float
    weeks: int
    from_at: datetime
    to_at: datetime
    crosses_at: datetime | None = Field(description="null: not within twice the span watched")
    crosses_from: datetime | None
    crosses_to: datetime | None


class BatteryOut(BaseModel):
    verdict: str = Field(description="good, watch, replace, charger_fault, not_enough_data")
    why: str
    since: datetime | None
    by: list[str] = Field(description="the looks it stands on")
    nominal_v: float
    chemistry: str
    fitted_at: datetime | None
    age_d: int | None = Field(validation_alias="age_days")
    volts_v: float | None
    volts_at: datetime | None
    usual_low_v: float | None = Field(description="usual of this set, standing")
    usual_high_v: float | None
    checked: bool = Field(description="a meter has been on its volts")
    rest: RestOut
    charge: ChargeOut
    cranking: CrankingOut
    trend: BatteryTrendOut | None
