"""Service rounds: which technician does which job on which day, in what order.

    plan(request, travel=None, progress=None, cancel=None) -> RoundPlan
    insert(plan, request, urgent, travel=None) -> tuple[Proposal, ...]
    move(plan, request, job, technician, day, position=None, travel=None) -> Verdict
    remove(plan, request, job, travel=None) -> Verdict
    check(plan, request, travel=None) -> tuple[Violation, ...]
    explain(plan, request, travel=None) -> tuple[Unplanned, ...]
    diff(old, new, request=None) -> Changes
    fingerprint(request) -> str
    remainder(request, plan, now) -> PlanRequest     what is left in mid-day
    storm(request, first_day, last_day) -> PlanRequest; before_storm(request, first_day) -> job ids
    re_offer(request, before, after) -> tuple[Offer, ...]

All but `plan` with a solver (Limits.solver) and a road table are pure: no clock, disk or network.
"""

from scheduler.rounds.nouns import (
    Change,
    Changes,
    Distances,
    Economics,
    Limits,
    Metrics,
    Offer,
    Pin,
    PlanRequest,
    Proposal,
    Question,
    Reason,
    Round,
    RoundJob,
    RoundPlan,
    RoundSite,
    Shift,
    Skill,
    Span,
    Stop,
    Technician,
    TechnicianHours,
    Travel,
    Unplanned,
    Verdict,
    Violation,
    WeekLoad,
)

__all__ = [
    "Change", "Changes", "Distances", "Economics", "Limits", "Metrics", "Offer", "Pin",
    "PlanRequest", "Proposal", "Question", "Reason", "Round", "RoundJob", "RoundPlan", "RoundSite",
    "Shift", "Skill", "Span", "Stop", "Technician", "TechnicianHours", "Travel", "Unplanned",
    "Verdict", "Violation", "WeekLoad",
]  # fmt: skip
