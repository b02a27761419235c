"""What tests ask of the planner's core beside what the product asks."""

from __future__ import annotations

import msgspec

from scheduler.rounds import (
    Changes,
    Estimate,
    Offer,
    Pin,
    PlanRequest,
    RoundPlan,
    Unplanned,
)
from scheduler.rounds.changes import difference
from scheduler.rounds.planning import days_of, network_of
from scheduler.rounds.reasons import early_reason, reasons_of
from scheduler.rounds.value import Terms


def explain(made: RoundPlan, request: PlanRequest) -> tuple[Unplanned, ...]:
    """A reason for every job of the request that the plan leaves out, worked out afresh."""
    terms, done = Terms(request), made.jobs
    early = {job: early_reason(terms, job) for job in terms.jobs if job not in done}
    found = [reason for reason in early.values() if reason is not None]
    rest = [job for job, reason in early.items() if reason is None]
    network = network_of(terms, Estimate(), [*rest, *(j for j in done if j in terms.jobs)])
    found += [reason for reason, _ in reasons_of(network, days_of(network, made), rest)]
    return tuple(sorted(found, key=lambda u: u.job))


def told_anew(request: PlanRequest, after: RoundPlan, offers: tuple[Offer, ...]) -> PlanRequest:
    """The request once the offers were taken: they are pinned as `retold`, the plan in force.

    Who could be offered nothing keeps the old pin, and so is offered something the next time.
    """
    at = after.places
    called = {offer.job for offer in offers if offer.new_day}
    pins = [p for p in request.pins if p.job not in called]
    pins += [
        Pin(job=job, level="retold", technician=at[job][0], day=at[job][1], start=at[job][2])
        for job in sorted(called & at.keys())
    ]
    return msgspec.structs.replace(request, pins=tuple(pins), previous=after)


def diff(old: RoundPlan, new: RoundPlan, request: PlanRequest | None = None) -> Changes:
    """What the new plan does to the jobs of the old one. request: of the new plan, for prices."""
    return difference(old.places, new.places, Terms(request) if request is not None else None)
