"""A plan changed by a person's hand: moved, taken out; what the checker says of it comes at once.

What was asked for is done even where it breaks a rule: then the times are those it would really
take, and the verdict names each rule broken.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import msgspec

from scheduler.rounds.changes import difference, still_asked
from scheduler.rounds.checker import check
from scheduler.rounds.drive import Trace, drive, worth
from scheduler.rounds.fill import Days
from scheduler.rounds.index import Key
from scheduler.rounds.model import PlanRequest, Reason, RoundPlan, Travel, Unplanned, Verdict
from scheduler.rounds.network import Network
from scheduler.rounds.planning import assemble, network_of
from scheduler.rounds.reasons import early_reason, why
from scheduler.rounds.request import RequestFault, sound
from scheduler.rounds.travel import Estimate
from scheduler.rounds.value import Terms


@dataclass(frozen=True, slots=True)
class Opened:
    """A plan under somebody's hand. days: changed as the hand changes them."""

    plan: RoundPlan
    request: PlanRequest
    travel: Travel | None
    network: Network
    days: Days


class Place(NamedTuple):
    """Where a job is put. position: how many jobs of that day come before it; None: where it costs
    least."""

    technician: str
    day: str
    position: int | None = None


def move(
    plan: RoundPlan,
    request: PlanRequest,
    job: str,
    to: Place,
    travel: Travel | None = None,
) -> Verdict:
    """Put a job, planned or not, into a technician's day.

    Raises RequestFault where the request holds no such job, or nobody works on that day.
    """
    opened = _opened(plan, request, job, travel)
    network, days = opened.network, opened.days
    key, position = (to.technician, to.day), to.position
    if key not in network.terms.shifts:
        raise RequestFault(f"{to.technician} has no shift on {to.day} in the plan's horizon.")
    _take_out(network, days, job)
    jobs = days[key].jobs if key in days else ()
    spots = range(len(jobs) + 1) if position is None else [min(max(position, 0), len(jobs))]
    tries = [_driven(network, key, (*jobs[:p], job, *jobs[p:])) for p in spots]
    days[key] = max(tries, key=lambda t: (_kept(network, key, t), worth(network, key, t)))
    return _verdict(opened)


def remove(
    plan: RoundPlan, request: PlanRequest, job: str, travel: Travel | None = None
) -> Verdict:
    """Take a job out of its round; it waits with a reason. Raises RequestFault where unknown."""
    opened = _opened(plan, request, job, travel)
    network, days = opened.network, opened.days
    _take_out(network, days, job)
    reason = early_reason(network.terms, job) or why(network, days, job)
    if reason.reason is Reason.SEARCH_LIMIT:
        detail = "Taken out by hand; it would fit and pay where it was."
        reason = msgspec.structs.replace(reason, reason=Reason.NOT_WORTH_IT, detail=detail)
    return _verdict(opened, reason)


def _opened(plan: RoundPlan, request: PlanRequest, job: str, travel: Travel | None) -> Opened:
    """The network of a plan's jobs and one more, and the plan's days as they would be driven."""
    sound(request)
    terms = Terms(msgspec.structs.replace(request, previous=plan))
    if job not in terms.jobs:
        raise RequestFault(f"There is no job {job} in the request.")
    jobs = [j for r in plan.rounds for j in r.jobs if j in terms.jobs]
    network = network_of(terms, travel or Estimate(), [*jobs, job])
    days: Days = {}
    for r in plan.rounds:
        key = (r.technician, r.day)
        if key in terms.shifts:
            days[key] = _driven(network, key, tuple(j for j in r.jobs if network.has(j)))
    return Opened(plan, request, travel, network, days)


def _driven(network: Network, key: Key, jobs: tuple[str, ...]) -> Trace:
    trace = drive(network, key, jobs) or drive(network, key, jobs, lenient=True)
    assert trace is not None
    return trace


def _kept(network: Network, key: Key, trace: Trace) -> bool:
    return drive(network, key, trace.jobs) is not None


def _take_out(network: Network, days: Days, job: str) -> None:
    for key, trace in list(days.items()):
        if job in trace.jobs:
            days[key] = _driven(network, key, tuple(j for j in trace.jobs if j != job))


def _verdict(opened: Opened, *reasons: Unplanned) -> Verdict:
    """What the checker says of the days as they are now. reasons: of what was taken out."""
    network, plan, days = opened.network, opened.plan, opened.days
    planned = {job for trace in days.values() for job in trace.jobs}
    named = {reason.job for reason in reasons}
    still = [
        u for u in plan.unplanned if u.job not in planned | named and u.job in network.terms.jobs
    ]
    new = assemble(network, days, (*still, *reasons), None, plan.engine)
    if not plan.engine.endswith("by hand"):
        new = msgspec.structs.replace(new, engine=f"{plan.engine}, changed by hand")
    changes = difference(still_asked(plan, network.terms), new.places, network.terms)
    new = msgspec.structs.replace(new, changes=changes)
    return Verdict(
        plan=new,
        violations=check(new, opened.request, opened.travel or Estimate()),
        changes=changes,
    )
