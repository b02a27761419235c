"""The shapes of the API's answers, as OpenAPI documents them. Times are ISO 8601 UTC."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field


class FindingOut(BaseModel):
    kind: str
    part: str
    severity: str
    since: datetime
    learned_at: datetime | None
    facts: dict[str, Any]
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


class StepOut(BaseModel):
    n: int
    at: datetime
    kind: str
    by: str
    state: str = Field(default="", description="state after the step; empty in old ones")
    until: datetime | None = Field(default=None, description="end of a shelf")


class AlertOut(FindingOut):
    """An episode: what was found, newest state, and what became of it."""

    id: str
    subject: str
    unit: str | None
    opened_at: datetime
    acknowledged_at: datetime | None
    closed_at: datetime | None
    state: str = Field(description="after ANSI/ISA-18.2: unacknowledged, acknowledged, returned, "
                       "shelved, suppressed, out_of_service, normal")  # fmt: skip
    crossings: int = Field(description="how often the condition went and came back meanwhile")
    steps: list[StepOut]


class OutageUnitOut(BaseModel):
    """How one set fares in an outage."""

    unit: str
    site: str
    customer: str
    criticality: str
    cover: str = Field(description="failed, not_running, no_voltage, unproven, waiting, low_fuel, "
                       "covered, aside or mains_back")  # fmt: skip
    since: datetime
    lost_at: datetime
    lost_earliest_at: datetime | None = Field(description="null: seen to the report")
    lost_seen_here: bool = Field(description="false: known from its neighbours only")
    back_at: datetime | None
    heard_at: datetime | None
    covered_s: int
    uncovered_s: int
    unproven_s: int


class OutageOut(BaseModel):
    """An outage, its sets in the order in which they are to be called."""

    id: str
    subject: str
    area: str
    one_site: bool = Field(description="one site alone: its own main switch or a fuse")
    part_of: str | None = Field(description="the outage of the area it turned out to be part of")
    began_at: datetime
    began_earliest_at: datetime | None
    ended_at: datetime | None
    severity: str
    sentence: str
    cautions: list[str]
    units: list[OutageUnitOut]


class RecordOut(BaseModel):
    id: str
    unit: str
    at: datetime
    made_at: datetime
    by: str
    kind: str
    facts: dict[str, Any]
    corrects: str | None
    superseded_by: str | None


class QuarantineOut(BaseModel):
    id: int
    device: str
    topic: str
    received_at: datetime
    reason: str
    fault_of: str = Field(description="device, or ours")
    size_bytes: int
    payload: str = Field(description="at most the first 16 kB, bytes that are no UTF-8 replaced")


class Page(BaseModel):
    next: str | None = Field(default=None, description="hand in as `cursor` for the next page")


class UnitPage(Page):
    items: list[UnitOut]


class ReadingsPage(Page):
    items: list[ReadingsOut]


class SignalPage(Page):
    items: list[SignalOut]
    cautions: list[str]


class RunPage(Page):
    items: list[RunOut]


class StartPage(Page):
    items: list[StartOut]


class DuePage(Page):
    items: list[DueOut]


class AlertPage(Page):
    items: list[AlertOut]


class OutagePage(Page):
    items: list[OutageOut]


class RecordPage(Page):
    items: list[RecordOut]


class QuarantinePage(Page):
    items: list[QuarantineOut]


class ProblemOut(BaseModel):
    """RFC 9457 problem details."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
