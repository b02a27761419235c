"""The job a finding suggests."""

from __future__ import annotations

from fleet.findings import row_of
from fleet.model import Finding, FoundBy, Job, Unit


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
