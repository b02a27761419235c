"""How due work and findings become jobs, and what the due list says of one afterwards."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from statistics import median

from fleet.findings import row_of
from fleet.model import DUE_NOW, DueItem, Finding, FoundBy, Job, ServicePlan, Unit
from fleet.model.book import DueRow
from fleet.model.jobs import StepKind

MOVED_DAYS = 7
"""A forecast that moves less is no news; common practice, no source."""
HORIZON_DAYS = 42
"""Due work becomes a job so many days before; common practice, no source."""
OWN_AFTER = 10
"""Minutes used at a set count as its own after so many visits (docs/engineering/rounds.md#jobs).
Common practice, no source."""
WIDE_SIGMAS = 2.563
"""Width of a normal distribution from its 10 % to its 90 % point, in standard deviations.
Arithmetic."""


def enters(item: DueItem, today: date, days: int = HORIZON_DAYS) -> bool:
    """Whether a due task is near enough to be a job. today: local date at the site."""
    if item.state in DUE_NOW:
        return True
    on = min(filter(None, (item.due_on, item.likely_on)), default=None)
    return on is not None and date.fromisoformat(on) <= today + timedelta(days=days)


def due_day(item: DueItem, today: date) -> str:
    """The local day a job of a due task counts from; "" where none is known.

    The earlier of its date and the likely one; of work due by hours already: today, or the day it
    became late.
    """
    on = min(filter(None, (item.due_on, item.likely_on)), default="")
    if item.late_days:
        return (today - timedelta(days=item.late_days)).isoformat()
    if item.state in DUE_NOW:
        return min(on or today.isoformat(), today.isoformat())
    return on


def job_of(
    row: DueRow, plan: ServicePlan | None, id: str, today: date, minutes: int | None = None
) -> Job:
    """The job a due task becomes. today: at the site; minutes: the set's own, where known."""
    item, unit = row.item, row.unit
    task = next((t for t in plan.tasks if t.id == item.task), None) if plan else None
    return Job(
        id=id,
        title=item.name,
        found_by="plan",
        customer=unit.customer,
        site=unit.site,
        unit=unit.id,
        task=item.task,
        origin=item.cycle,
        symptom=item.reason,
        safety=unit.criticality == "life",
        routine=True,
        due_on=due_day(item, today),
        sigma_days=_sigma(item),
        interval_days=30.44 * item.every_months if item.every_months else 182.0,
        parts=item.parts,
        skill=task.skill if task else "",
        minutes=minutes or item.minutes or 30,
    )


def _sigma(item: DueItem) -> float:
    if item.likely_from is None or item.likely_to is None:
        return 0.0
    wide = (date.fromisoformat(item.likely_to) - date.fromisoformat(item.likely_from)).days
    return round(wide / WIDE_SIGMAS, 1)


def outcome(job: Job, item: DueItem | None, today: date) -> StepKind | None:
    """What the due list says of a job made from it: finish (its record came), change (the record
    it counts from was put right, or the forecast moved), drop (no longer in the plan), None."""
    if item is None:
        return "drop"
    if item.cycle == job.origin:
        return "change" if _moved(job.due_on, item, today) else None
    return "finish" if (item.last_done_on or "") > _last_done(job) else "change"


def _moved(was: str, item: DueItem, today: date) -> bool:
    """Whether the day came a week nearer, or (of work not due yet) went a week away."""
    now = due_day(item, today)
    if not was or not now:
        return bool(now) and not was
    days = (date.fromisoformat(now) - date.fromisoformat(was)).days
    return days <= -MOVED_DAYS or (days >= MOVED_DAYS and item.state not in DUE_NOW)


def _last_done(job: Job) -> str:
    said = job.origin.removeprefix(f"due:{job.unit}:{job.task}:").split(":")[0]
    return "" if said == "never" else said


def own_minutes(used: Iterable[int], planned: int) -> int:
    """Median of the minutes used for this work at this set, after ten visits; else as planned."""
    seen = sorted(used)
    return round(median(seen)) if len(seen) >= OWN_AFTER else planned


def suggests(finding: Finding) -> bool:
    """Whether a finding wants somebody to go, or to call, and so suggests a job."""
    job = row_of(finding.facts).job
    if job == "of_the_plan":  # due work becomes a job by itself
        return False
    return finding.severity in ("act_now", "same_day") or job == "call_first"


def from_finding(finding: Finding, title: str, unit: Unit, id: str, found_by: FoundBy) -> Job:
    """The job a finding suggests; title: its sentence's."""
    return Job(
        id=id,
        title=title,
        state="call_first" if row_of(finding.facts).job == "call_first" else "open",
        found_by=found_by,
        customer=unit.customer,
        site=unit.site,
        unit=unit.id,
        urgent=finding.severity == "act_now",
        safety=unit.criticality == "life",
        minutes=60,
    )
