"""A request before it is planned: is it sound, is it news, what is left of it in mid-day."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

import msgspec

from fleet.calendar import day_bounds, local_date
from scheduler.rounds.model import (
    Pin,
    PinLevel,
    PlanRequest,
    Round,
    RoundPlan,
    Seen,
    Shift,
    Stop,
    Technician,
)
from scheduler.rounds.storm_week import storm

MOST_DAYS = 42
"""Days that may be planned finely. A bound of ours."""


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
    places = plan.places if plan else {}
    news = [p for p in request.pins if places.get(p.job) != (p.technician, p.day, p.start)]
    content = (
        request.first_day,
        request.days,
        request.zone,
        request.radius_km,
        request.economics,
        sorted(request.sites, key=lambda s: s.id),
        sorted(request.jobs, key=lambda j: j.id),
        sorted(request.technicians, key=lambda t: t.id),
        sorted(news, key=lambda p: p.job),
    )
    packed = msgspec.json.encode((*content, roads) if roads else content, order="deterministic")
    return hashlib.sha256(packed).hexdigest()[:32]


class At(msgspec.Struct, frozen=True, order=True):
    """Where a technician's work of today has come to. last: nothing of the round is left after it."""

    free: int
    site: str
    job: str
    last: bool = False


@dataclass(frozen=True, slots=True)
class Midday:
    """A moment of a day [UTC s], what was recorded of the plan's jobs till then, and how long jobs
    take [s]. day: ISO date of the office's zone; midnight: its begin."""

    now: int
    midnight: int
    day: str
    seen: Mapping[str, Seen]
    durations: Mapping[str, int]


def as_it_stands(request: PlanRequest) -> PlanRequest:
    """The request with only what is left of a day that has begun, and without what a storm puts off."""
    plan, seen, week = request.previous, request.recorded, request.storm
    if plan is not None and seen is not None:
        request = remainder(request, plan, request.now, seen)
    if week is not None:
        request = storm(request, *week)
    return msgspec.structs.replace(request, recorded=None, storm=None)


def remainder(
    request: PlanRequest, plan: RoundPlan, now: int, seen: Mapping[str, Seen] | None = None
) -> PlanRequest:
    """What is left of a plan at a moment: done and begun work out, people where they are.

    seen: what was recorded of the plan's jobs; None: nobody records, all is done at its planned
    moment. Of a job without a record, where records are kept: work of a round that is on the road
    counts as begun at its planned moment, unless something after it was recorded in that round: then
    it was passed over. What was passed over, and what an earlier day left undone, is open work like
    any other. The plan in force becomes `previous`, without what is done, gone or begun. Lunch is
    taken off where the round had it before `now`.
    """
    durations = {job.id: job.duration_s for job in request.jobs}
    known_of = _by_the_plan(plan, now, durations) if seen is None else seen
    today = local_date(now, request.zone)
    midnight, day = day_bounds(today, request.zone)[0], today.isoformat()
    midday = Midday(now, midnight, day, known_of, durations)
    known = {(t.id, s.day): s for t in request.technicians for s in t.shifts}
    there = {site.id for site in request.sites}
    out: set[str] = set()
    rest: list[Round] = []
    at: dict[str, tuple[At, Round]] = {}
    for r in plan.rounds:
        begun = _begun(r, midday)
        over = {job for job in r.jobs if job in known_of and known_of[job].state != "part_done"}
        out |= begun | over
        stops = (_later(stop, now, begun | known_of.keys()) for stop in r.stops)
        left = tuple(stop for stop in stops if stop.jobs)
        if left:
            rest.append(msgspec.structs.replace(r, stops=left))
        for place in _places(r, begun, midday):
            if r.technician not in at or place > at[r.technician][0]:
                at[r.technician] = place, r
    shifts = {
        (who, day): _under_way(known[who, day], r, place, now, there)
        for who, (place, r) in at.items()
        if (who, day) in known
    }
    technicians = tuple(_with(t, shifts) for t in request.technicians)
    return msgspec.structs.replace(
        request,
        now=max(now, request.now),
        jobs=tuple(j for j in request.jobs if j.id not in out),
        technicians=technicians,
        pins=tuple(p for p in request.pins if p.job not in out),
        previous=msgspec.structs.replace(plan, rounds=tuple(rest), fingerprint=""),
    )


def _by_the_plan(plan: RoundPlan, now: int, durations: Mapping[str, int]) -> dict[str, Seen]:
    """Every job as if it had been begun at its planned moment."""
    found = {}
    for r in plan.rounds:
        for job, start in _starts(r):
            end = start + durations.get(job, 0)
            if end <= now:
                found[job] = Seen(state="done", at=end)
            elif start <= now:
                found[job] = Seen(state="under_way", at=start, duration_s=end - start)
    return found


def _begun(r: Round, midday: Midday) -> set[str]:
    """Jobs of a round on the road that count as begun though nothing was recorded of them."""
    now, seen = midday.now, midday.seen
    if r.day != midday.day or not r.depart <= now < r.back:
        return set()
    starts = _starts(r)
    recorded = [n for n, (job, _) in enumerate(starts) if job in seen and seen[job].state != "gone"]
    first = max(recorded) + 1 if recorded else 0
    return {job for job, start in starts[first:] if start <= now and job not in seen}


def _starts(r: Round) -> list[tuple[str, int]]:
    return [pair for s in r.stops for pair in zip(s.jobs, s.starts, strict=True)]


def _places(r: Round, begun: set[str], midday: Midday) -> Iterator[At]:
    """Where the work of a round says its technician is, or was today."""
    now, seen, durations = midday.now, midday.seen, midday.durations
    sites = {job: s.site for s in r.stops for job in s.jobs}
    over = all(job in seen and seen[job].state != "under_way" for job in r.jobs)
    for job, start in _starts(r):
        what = seen.get(job)
        if job in begun:
            yield At(start + durations.get(job, 0), sites[job], job)
        elif what is not None and what.state == "under_way":
            yield At(max(now, what.at + what.duration_s), sites[job], job)
        elif what is not None and what.state != "gone" and midday.midnight <= what.at <= now:
            yield At(what.at, sites[job], job, over)


def _later(stop: Stop, now: int, out: Collection[str]) -> Stop:
    pairs = [
        (j, a) for j, a in zip(stop.jobs, stop.starts, strict=True) if a > now and j not in out
    ]
    return msgspec.structs.replace(
        stop, jobs=tuple(j for j, _ in pairs), starts=tuple(a for _, a in pairs)
    )


def _under_way(shift: Shift, r: Round, place: At, now: int, there: Collection[str]) -> Shift:
    """The rest of a shift, from the end of the work at hand, where it is done; from the base once
    the round is over and the way home was driven."""
    ate = r.day == shift.day and r.lunch is not None and r.lunch.start < max(place.free, now)
    home_s = r.back - r.stops[-1].finish if r.stops else 0
    home = place.site not in there or (place.last and place.free + home_s <= now)
    return msgspec.structs.replace(
        shift,
        start=min(max(place.free, now, shift.start), shift.end - 1),
        start_site="" if home else place.site,
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
        for job, (technician, day, start) in plan.places.items()
        if wanted is None or day in wanted
    )
