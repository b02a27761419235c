"""What stands: appointments, half-days told to customers, stops told to technicians."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from fleet.model import Job, JobStep, Promise
from fleet.model.book import Book
from fleet.model.round_plan import RoundPlan, Span, half_day, half_of
from scheduler import work_orders
from scheduler.rounds.model import Pin, PinLevel

APPOINTMENT_S = 900
"""An appointment is kept when work begins within a quarter of an hour; common practice, no
source."""
PUBLISHED_DAYS = 5
"""Beyond so many days a plan is free to change (docs/engineering/rounds.md#frozen-told-free).
Common practice, no source."""


def promises(promise: Promise | None, zone: str) -> tuple[Span, ...]:
    """The moments in which work must begin by what the customer agreed; a half-day told from a
    plan is a standing arrangement instead."""
    if promise is None or not (promise.agreed or promise.at is not None):
        return ()
    if promise.at is not None:
        return (Span(promise.at, promise.at + APPOINTMENT_S),)
    return (half_day(promise.day, promise.half, zone),)


def pins(
    jobs: Iterable[Job],
    plan: RoundPlan | None,
    today: date,
    book: Book,
    freeze_today: bool = False,
) -> tuple[Pin, ...]:
    """Standing arrangements: put there by hand, told to the customer, told to technicians."""
    placed = plan.places if plan else {}
    known = {one.id for one in book.technicians}
    found = []
    for job in jobs:
        if job.pin and job.pin.technician in known and job.pin.day >= today.isoformat():
            found.append(_pin(job.id, "frozen", job.pin.technician, job.pin.day, job.pin.start))
            continue
        at = placed.get(job.id)
        if at is None or at[0] not in known or at[1] < today.isoformat():
            continue
        ahead = (date.fromisoformat(at[1]) - today).days
        if freeze_today and ahead == 0:
            found.append(_pin(job.id, "frozen", *at))
        elif job.promise:
            found.append(_pin(job.id, "retold" if job.promise.times else "told", *at))
        elif ahead < PUBLISHED_DAYS:
            found.append(_pin(job.id, "published", *at))
    return tuple(found)


def _pin(job: str, level: PinLevel, who: str, day: str, start: int) -> Pin:
    return Pin(job=job, level=level, technician=who, day=day, start=start)


def told_step(
    job: Job, plan: RoundPlan, zone: str, now: int, by: str
) -> tuple[Job, JobStep] | None:
    """The step "the customer was told the half-day" of a planned job; None where it is in no round.

    It is the half-day of the arrival, also of work that begins later there. A half-day told before
    counts as told again. Raises NotPossible.
    """
    arrivals = [s.start for one in plan.rounds for s in one.stops if job.id in s.jobs]
    if not arrivals:
        return None
    day, half = half_of(arrivals[0], zone)
    before = job.promise
    if before and (before.day, before.half) == (day, half) and before.at is None:
        return None
    times = before.times + 1 if before else 0
    promise = Promise(day=day, half=half, told_at=now, told_by=by, times=times)
    return work_orders.advance(job, "tell", now, by, changes={"promise": promise})
