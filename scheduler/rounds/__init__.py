"""Service rounds: which technician does which job on which day, in what order.

    plan(request, travel=None, progress=None, cancel=None) -> RoundPlan
    judge(plan, request, travel=None) -> Metrics
    insert(plan, request, urgent, now=None, travel=None) -> tuple[Proposal, ...]
    move(plan, request, job, to, travel=None) -> Verdict
    remove(plan, request, job, travel=None) -> Verdict
    check(plan, request, travel) -> tuple[Violation, ...]
    answer(request, known=(), context=...) -> Answer: the same, unless such a plan is known
    fingerprint(request, roads="") -> str
    remainder(request, plan, now, seen=None) -> PlanRequest: what is left in mid-day
    pins_of(plan, level, days=None) -> tuple[Pin, ...]
    storm(request, first_day, last_day) -> PlanRequest
    before_storm(request, plan, first_day) -> tuple of job ids
    re_offer(request, before, after) -> tuple[Offer, ...]
    weekly, half_day, half_of: hours and promises as moments
    Estimate(): distances by great circle; Table(url): from a road server

The solver (`engine`, `worker`) and the road server (`table`) stand apart; all else is pure. No
solver type crosses the border.
"""

from fleet.model.round_plan import half_day, half_of, weekly
from scheduler.rounds.checker import check
from scheduler.rounds.edit import Place, move, remove
from scheduler.rounds.engine import PlanContext, Progress
from scheduler.rounds.model import (
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
    Seen,
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
from scheduler.rounds.planning import (
    Answer,
    PlanFault,
    answer,
    judge,
    plan,
)
from scheduler.rounds.request import RequestFault, fingerprint, pins_of, remainder
from scheduler.rounds.storm_week import before_storm, re_offer, storm
from scheduler.rounds.table import Table
from scheduler.rounds.travel import Estimate
from scheduler.rounds.urgent import insert

__all__ = [
    "Answer",
    "Change",
    "Changes",
    "Distances",
    "Economics",
    "Estimate",
    "Limits",
    "Metrics",
    "Offer",
    "Pin",
    "Place",
    "PlanContext",
    "PlanFault",
    "PlanRequest",
    "Progress",
    "Proposal",
    "Question",
    "Reason",
    "RequestFault",
    "Round",
    "RoundJob",
    "RoundPlan",
    "RoundSite",
    "Seen",
    "Shift",
    "Skill",
    "Span",
    "Stop",
    "Table",
    "Technician",
    "TechnicianHours",
    "Travel",
    "Unplanned",
    "Verdict",
    "Violation",
    "WeekLoad",
    "answer",
    "before_storm",
    "check",
    "fingerprint",
    "half_day",
    "half_of",
    "insert",
    "judge",
    "move",
    "pins_of",
    "plan",
    "re_offer",
    "remainder",
    "remove",
    "storm",
    "weekly",
]
