"""Nouns of the fleet in the shapes of the API."""

from __future__ import annotations

from typing import Any

import msgspec

from dashboard.api import facts
from dashboard.api.shapes import (
    AlertOut,
    DueOut,
    FindingOut,
    HoursOut,
    RecordOut,
    RunOut,
    StartOut,
    StepOut,
)
from dashboard.viewers import staff_name
from fleet import words
from fleet.model import (
    Customer,
    DueItem,
    EngineHours,
    Episode,
    Finding,
    Record,
    Run,
    Scope,
    Site,
    StartDemand,
    Unit,
    UnitSummary,
)
from fleet.registry.pages import StartCount
from scheduler import alarms
from scheduler.assess import Assessment
from scheduler.rules.exercise import RunReason
from scheduler.rules.reliability import Share, pooled


def finding_out(finding: Finding, zone: str, now: int) -> FindingOut:
    said = words.sentence(finding, zone, now)
    return FindingOut(
        kind=finding.kind,
        part=finding.part,
        severity=finding.severity,
        since=finding.since,  # type: ignore[arg-type]  # pydantic reads UTC seconds
        learned_at=finding.learned_at,  # type: ignore[arg-type]
        facts=facts.finding_facts(finding.facts),
        title=said.title,
        sentence=said.text,
        cautions=list(said.cautions),
    )


def run_out(run: Run, reason: RunReason | None = None) -> RunOut:
    """A run; reason: what the assessment adds, whether it began by itself."""
    held = msgspec.structs.asdict(run)
    length = None if run.end is None else run.end - run.start
    itself = reason.by_itself if reason else "no" if run.why == "by_hand" else "unknown"
    sure = reason.itself_confidence if reason else run.confidence
    return RunOut.model_validate(
        held | {"length_s": length, "by_itself": itself, "by_itself_confidence": sure}
    )


def start_out(start: StartDemand) -> StartOut:
    return StartOut.model_validate(msgspec.structs.asdict(start))


def hours_out(hours: EngineHours) -> HoursOut:
    return HoursOut.model_validate(msgspec.structs.asdict(hours))


def due_out(item: DueItem, unit: Unit) -> DueOut:
    held = msgspec.structs.asdict(item)
    return DueOut.model_validate(
        held
        | {
            "site": unit.site,
            "customer": unit.customer,
            "days_left_d": item.days_left,
            "late_days_d": item.late_days,
            "length_min": item.minutes,
        }
    )


def use_out(verdict: Assessment | None, counts: tuple[StartCount, ...]) -> dict[str, Any]:
    """How it starts and how it was used, as UnitFullOut has them."""
    if verdict is None:
        return {}
    model, fleet = (share_out(pooled([(c.failed, c.demands)]), c.units) for c in counts)
    return {
        "starts_unit": share_out(verdict.starts.share, 1),
        "starts_model": model,
        "starts_fleet": fleet,
        "harder_starting": [msgspec.structs.asdict(h) for h in verdict.starts.harder],
        "harder_not_judged": verdict.starts.not_judged,
        "duty": msgspec.structs.asdict(verdict.ahead.duty) if verdict.ahead.duty else None,
    }


def share_out(share: Share | None, units: int) -> dict[str, Any] | None:
    """A share with the number of sets it is of; None where no demand was seen."""
    if share is None:
        return None
    return {
        "units": units,
        "demands": share.demands,
        "failed": share.failed,
        "started_share": share.estimate,
        "low_share": share.low,
        "high_share": share.high,
        "confidence_share": share.confidence,
    }


def unit_facts(
    unit: Unit, site: Site, customer: Customer, summary: UnitSummary | None, now: int
) -> dict[str, Any]:
    """The fields of UnitOut."""
    held: dict[str, Any] = {
        "unit": unit.id,
        "site": site.id,
        "site_name": site.name,
        "customer": customer.id,
        "customer_name": customer.name,
        "area": unit.area,
        "address": site.address,
        "time_zone": site.time_zone,
        "condition": None,
        "condition_since": None,
        "heard_at": None,
        "newest_at": None,
        "engine_hours": None,
        "findings": [],
        "last_run": None,
        "last_start": None,
        "next_due": None,
    }
    if summary is None:
        return held
    return held | {
        "condition": summary.condition,
        "condition_since": summary.condition_since,
        "heard_at": summary.heard_at,
        "newest_at": summary.newest_at,
        "engine_hours": hours_out(summary.hours),
        "findings": [finding_out(f, site.time_zone, now) for f in summary.findings],
        "last_run": run_out(summary.last_run) if summary.last_run else None,
        "last_start": start_out(summary.last_start) if summary.last_start else None,
        "next_due": due_out(summary.next_due, unit) if summary.next_due else None,
        "readiness": readiness_out(summary, site.time_zone, now),
        "mains": msgspec.structs.asdict(summary.mains),
        "adopted": summary.adopted,
        "learning_until": summary.learning_until,
    }


def readiness_out(summary: UnitSummary, zone: str, now: int) -> dict[str, Any] | None:
    """The fields of ReadinessOut; None before the first verdict."""
    held = summary.readiness
    if held is None:
        return None
    return msgspec.structs.asdict(held) | {"sentence": words.readiness.readiness(held, zone, now)}


def alert_out(episode: Episode, zone: str, now: int, scope: Scope) -> AlertOut:
    kind, _, name = episode.subject.partition(":")
    steps = [
        StepOut.model_validate(msgspec.structs.asdict(step) | {"by": staff_name(scope, step.by)})
        for step in episode.steps
    ]
    found = finding_out(episode.finding, zone, now).model_dump()
    return AlertOut.model_validate(
        found
        | {
            "id": episode.id,
            "subject": episode.subject,
            "unit": name if kind == "unit" else None,
            "severity": episode.severity,
            "opened_at": episode.opened_at,
            "acknowledged_at": episode.acknowledged_at,
            "closed_at": episode.closed_at,
            "state": alarms.state_of(episode),
            "crossings": alarms.crossings(episode),
            "steps": steps,
        }
    )


def record_out(record: Record, superseded_by: str | None, scope: Scope) -> RecordOut:
    held = msgspec.structs.asdict(record)
    return RecordOut.model_validate(
        held
        | {
            "by": staff_name(scope, record.by),
            "entered_by": staff_name(scope, record.entered_by),
            "named": staff_name(scope, record.named),
            "job": record.job if scope.everything else "",
            "facts": facts.record_facts(record.facts),
            "superseded_by": superseded_by,
        }
    )
