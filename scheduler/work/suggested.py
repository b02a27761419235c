"""The job a finding suggests."""

from __future__ import annotations

from fleet.model import Finding, FoundBy, Job, Unit

CALL_FIRST: frozenset[str] = frozenset({"not_in_auto", "not_reporting"})
"""One call before a drive settles many of these (docs/engineering/rounds.md#jobs)."""


OF_THE_PLAN: frozenset[str] = frozenset({"service_due"})
"""Due work becomes a job by itself."""


def suggests(finding: Finding) -> bool:
    """Whether a finding wants somebody to go, or to call, and so suggests a job."""
    if finding.kind in OF_THE_PLAN:
        return False
    return finding.severity in ("act_now", "same_day") or finding.kind in CALL_FIRST


def from_finding(finding: Finding, title: str, unit: Unit, id: str, found_by: FoundBy) -> Job:
    """The job a finding suggests; title: its sentence's."""
    return Job(
        id=id,
        title=title,
        state="call_first" if finding.kind in CALL_FIRST else "open",
        found_by=found_by,
        customer=unit.customer,
        site=unit.site,
        unit=unit.id,
        urgent=finding.severity == "act_now",
        safety=unit.criticality == "life",
        minutes=60,
    )
