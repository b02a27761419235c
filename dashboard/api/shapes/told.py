"""Alerts, outages, records, quarantine, problems."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from dashboard.api.shapes.ran import FindingOut, Page


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
    state: str = Field(
        description="after ANSI/ISA-18.2: unacknowledged, acknowledged, returned, "
        "shelved, suppressed, out_of_service, normal"
    )
    crossings: int = Field(description="how often the condition went and came back meanwhile")
    steps: list[StepOut]


class OutageUnitOut(BaseModel):
    """How one set fares in an outage."""

    unit: str
    site: str
    customer: str
    criticality: str
    cover: str = Field(
        description="failed, not_running, no_voltage, unproven, waiting, low_fuel, "
        "covered, aside or mains_back"
    )
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
    by: str = Field(description="who did it, bound to who was signed in; of a token its name")
    entered_by: str = Field(description="who typed it in for them, where that was another")
    via: str = Field(description="token or import, where nobody signed in for it; else empty")
    named: str = Field(description="whom the program of a token named; vouched for by nobody")
    job: str = Field(description="the job it was written for; empty: none")
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
