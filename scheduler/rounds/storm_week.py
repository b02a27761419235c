"""A storm week: routine waits, what should be right before the storm goes first, promises anew.

Nobody is told twice: who is offered a new half-day is told once, and the pin `retold` then outweighs
everything but danger. Nobody is lost: who gets no half-day now is listed, first to be asked next.
"""

from __future__ import annotations

from datetime import date

import msgspec

from fleet.calendar import day_bounds
from fleet.model.round_plan import half_of
from scheduler.rounds.model import Offer, Pin, PlanRequest, RoundJob, RoundPlan


def storm(request: PlanRequest, first_day: str, last_day: str) -> PlanRequest:
    """The request with routine work frozen out from the first to the last day of the storm.

    Routine work may begin again the day after; its promises inside the storm are void and its pins
    there gone. Safety, urgent work and what is not routine stay as they are.
    """
    begin = day_bounds(date.fromisoformat(first_day), request.zone)[0]
    end = day_bounds(date.fromisoformat(last_day), request.zone)[1]
    waits = {job.id for job in request.jobs if _waits(job)}
    pins = tuple(p for p in request.pins if p.job not in waits or not begin <= p.start < end)
    jobs = tuple(_after(j, begin, end) if j.id in waits else j for j in request.jobs)
    return msgspec.structs.replace(request, jobs=jobs, pins=pins)


def _waits(job: RoundJob) -> bool:
    return job.routine and not job.safety and not job.urgent


def _after(job: RoundJob, begin: int, end: int) -> RoundJob:
    promises = tuple(p for p in job.promises if not begin <= p.start < end)
    if job.promises and promises:
        return msgspec.structs.replace(job, promises=promises)
    return msgspec.structs.replace(job, earliest=max(job.earliest, end), promises=())


def before_storm(request: PlanRequest, plan: RoundPlan, first_day: str) -> tuple[str, ...]:
    """Jobs to do before the storm, in order: life first, then what is broken, then by due date.

    Routine work and what the plan has before that day are left out.
    """
    begin = day_bounds(date.fromisoformat(first_day), request.zone)[0]
    done = {job for job, (_, _, start) in plan.places.items() if start < begin}
    wanted = [j for j in request.jobs if not _waits(j) and j.id not in done and not j.on_stop]
    order = sorted(
        wanted, key=lambda j: (not j.safety, not j.urgent, j.routine, j.due or 2**62, j.id)
    )
    return tuple(job.id for job in order)


def re_offer(request: PlanRequest, before: RoundPlan, after: RoundPlan) -> tuple[Offer, ...]:
    """Who must be called, in order: those whose told half-day is not kept, each once.

    request: with the pins that were told. Life first, then in the order of the old promises. The
    same half-day with another technician needs no call.
    """
    told = {p.job: p for p in request.pins if p.level in ("told", "retold", "frozen")}
    jobs = {job.id: job for job in request.jobs}
    now_at = after.places
    earliest = {u.job: u.earliest for u in after.unplanned}
    torn = [pin for pin in told.values() if not _keeps(pin, now_at, request.zone)]
    torn.sort(key=lambda p: (not (p.job in jobs and jobs[p.job].safety), p.start, p.job))
    offers = []
    for n, pin in enumerate(torn, start=1):
        day, half = half_of(pin.start, request.zone)
        new = now_at.get(pin.job)
        new_day, new_half = half_of(new[2], request.zone) if new else ("", None)
        offers.append(
            Offer(
                n=n,
                job=pin.job,
                day=day,
                half=half,
                new_day=new_day,
                new_half=new_half,
                earliest=earliest.get(pin.job),
            )
        )
    return tuple(offers)


def _keeps(pin: Pin, at: dict[str, tuple[str, str, int]], zone: str) -> bool:
    return pin.job in at and half_of(at[pin.job][2], zone) == half_of(pin.start, zone)
