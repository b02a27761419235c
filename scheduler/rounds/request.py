"""A request before it is planned: is it sound, is it news, what is left of it in mid-day."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable

import msgspec

from scheduler.rounds.changes import placed
from scheduler.rounds.nouns import (
    Pin,
    PinLevel,
    PlanRequest,
    Round,
    RoundPlan,
    Shift,
    Stop,
    Technician,
)

MOST_DAYS = 42


class RequestFault(ValueError):
    """A request that no plan can be made for. Says what is wrong with it."""


def sound(request: PlanRequest) -> None:
    """Raise RequestFault for what would make a plan meaningless."""
    if not 1 <= request.days <= MOST_DAYS:
        raise RequestFault(f"Plan 1 to {MOST_DAYS} days finely, not {request.days}.")
    _once("site", (s.id for s in request.sites))
    _once("job", (j.id for j in request.jobs))
    _once("technician", (t.id for t in request.technicians))
    _once("pin of job", (p.job for p in request.pins))
    sites = {s.id for s in request.sites}
    for job in request.jobs:
        if job.site not in sites:
            raise RequestFault(f"Job {job.id} names site {job.site}, which is not in the request.")
        if job.duration_s <= 0:
            raise RequestFault(f"Job {job.id} lasts {job.duration_s} s: give it a duration.")
        if not 0 <= job.test_s <= job.duration_s:
            raise RequestFault(f"Job {job.id} runs the engine longer than it lasts.")
    for technician in request.technicians:
        _once(f"shift of {technician.id} on", (s.day for s in technician.shifts))
        for shift in technician.shifts:
            if shift.end <= shift.start:
                raise RequestFault(f"The shift of {technician.id} on {shift.day} ends first.")
            if shift.start_site and shift.start_site not in sites:
                raise RequestFault(f"{technician.id} begins at a site not in the request.")


def _once(what: str, names: Iterable[str]) -> None:
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        raise RequestFault(f"There are two of {what} {min(twice)}.")


def fingerprint(request: PlanRequest, roads: str = "") -> str:
    """What a plan depends on: jobs, sites, technicians, days, money, pins, and the road server that
    answers for the ways (`Distances.roads`; "": none, they are estimated). Not now nor limits.

    A pin that the plan in force keeps says nothing new and is left out, so telling customers about
    a plan is no reason to make another.
    """
    return fingerprint_for(request, request.previous, roads)


def fingerprint_for(request: PlanRequest, plan: RoundPlan | None, roads: str = "") -> str:
    """The fingerprint beside the plan that is (or will be) in force."""
    places = placed(plan) if plan else {}
    news = [p for p in request.pins if places.get(p.job) != (p.technician, p.day, p.start)]
    content = (
        request.first_day, request.days, request.zone, request.radius_km, request.economics,
        sorted(request.sites, key=lambda s: s.id), sorted(request.jobs, key=lambda j: j.id),
        sorted(request.technicians, key=lambda t: t.id), sorted(news, key=lambda p: p.job),
    )  # fmt: skip
    packed = msgspec.json.encode((*content, roads) if roads else content, order="deterministic")
    return hashlib.sha256(packed).hexdigest()[:32]


def remainder(request: PlanRequest, plan: RoundPlan, now: int) -> PlanRequest:
    """What is left of a plan at a moment: done and begun work out, people where they are.

    The plan in force becomes `previous`, without what is done. Lunch is taken off where the round
    had it before `now`.
    """
    gone: set[str] = set()
    rest: dict[tuple[str, str], Round] = {}
    shifts: dict[tuple[str, str], Shift] = {}
    known = {(t.id, s.day): s for t in request.technicians for s in t.shifts}
    ends = {job.id: job.duration_s for job in request.jobs}
    for r in plan.rounds:
        key = (r.technician, r.day)
        begun = [
            (start + ends.get(job, 0), stop.site, job)
            for stop in r.stops
            for job, start in zip(stop.jobs, stop.starts, strict=True)
            if start <= now
        ]
        gone |= {job for _, _, job in begun}
        left = tuple(stop for stop in (_later(stop, now) for stop in r.stops) if stop.jobs)
        if left:
            rest[key] = msgspec.structs.replace(r, stops=left)
        if begun and key in known:
            shifts[key] = _under_way(known[key], r, max(begun), now)
    technicians = tuple(_with(t, shifts) for t in request.technicians)
    return msgspec.structs.replace(
        request,
        now=max(now, request.now),
        jobs=tuple(j for j in request.jobs if j.id not in gone),
        technicians=technicians,
        pins=tuple(p for p in request.pins if p.job not in gone),
        previous=msgspec.structs.replace(plan, rounds=tuple(rest.values()), fingerprint=""),
    )


def _later(stop: Stop, now: int) -> Stop:
    pairs = [(j, a) for j, a in zip(stop.jobs, stop.starts, strict=True) if a > now]
    return msgspec.structs.replace(
        stop, jobs=tuple(j for j, _ in pairs), starts=tuple(a for _, a in pairs)
    )


def _under_way(shift: Shift, r: Round, last: tuple[int, str, str], now: int) -> Shift:
    """The rest of a shift, from the end of the work at hand, where it is done."""
    free, site, _ = last
    ate = r.lunch is not None and r.lunch.start < max(free, now)
    return msgspec.structs.replace(
        shift,
        start=min(max(free, now), shift.end - 1),
        start_site=site,
        lunch_s=0 if ate else shift.lunch_s,
    )


def _with(technician: Technician, shifts: dict[tuple[str, str], Shift]) -> Technician:
    changed = tuple(shifts.get((technician.id, s.day), s) for s in technician.shifts)
    return msgspec.structs.replace(technician, shifts=changed)


def pins_of(plan: RoundPlan, level: PinLevel, days: Iterable[str] | None = None) -> tuple[Pin, ...]:
    """A pin of that level for every job of a plan, or of some of its days."""
    wanted = None if days is None else set(days)
    return tuple(
        Pin(job=job, level=level, technician=technician, day=day, start=start)
        for job, (technician, day, start) in placed(plan).items()
        if wanted is None or day in wanted
    )
