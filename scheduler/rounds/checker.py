"""Does a plan keep every rule? Worked out from the request alone, beside the planner.

Shares no code with the simulator, the values or the engine: it reads the times a plan claims and
holds them against shifts, hours, promises, skills and the road. Kinds: unknown_job, twice, missing,
planned_and_not, no_shift, two_rounds, leaves_early, home_late, another_day, no_skill,
wrong_technician, needs_two, on_stop, too_early, parts, pointless, shut, test_hours, promise,
no_time, lunch_missing, lunch_wrong, frozen_moved, too_far, sums.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date

import numpy as np

from fleet.calendar import day_bounds, local_date
from fleet.geo import distance_km
from scheduler.rounds.model import (
    Distances,
    PlanRequest,
    Round,
    RoundJob,
    RoundPlan,
    RoundSite,
    Shift,
    Span,
    Technician,
    Travel,
    Violation,
)

SIX_HOURS_S = 6 * 3600
FROZEN_MAY_SLIP_S = 900
"""A day without lunch is at most six hours long, and a frozen job may begin a quarter of an hour
late. Common practice, no source."""


def check(plan: RoundPlan, request: PlanRequest, travel: Travel) -> tuple[Violation, ...]:
    """Every rule the plan breaks, in the order of its rounds; empty: none."""
    road = _Road(plan, request, travel)
    found = list(_partition(plan, request))
    for round_ in plan.rounds:
        found += _round(round_, request, road)
    found += _frozen(plan, request)
    return tuple(found)


class _Road:
    """Seconds and metres between the bases and the sites a plan visits."""

    def __init__(self, plan: RoundPlan, request: PlanRequest, travel: Travel) -> None:
        self.technicians = {t.id: t for t in request.technicians}
        self.sites = {s.id: s for s in request.sites}
        self.jobs = {j.id: j for j in request.jobs}
        self.shifts = {(t.id, s.day): s for t in request.technicians for s in t.shifts}
        names = {stop.site for r in plan.rounds for stop in r.stops}
        names |= {s.start_site for s in self.shifts.values() if s.start_site}
        seen = sorted(name for name in names if name in self.sites)
        self.index = {("base", t.id): n for n, t in enumerate(request.technicians)}
        self.index |= {("site", s): len(self.index) + n for n, s in enumerate(seen)}
        spots = [(t.lat, t.lon) for t in request.technicians]
        spots += [(self.sites[s].lat or 0.0, self.sites[s].lon or 0.0) for s in seen]
        at = np.array(spots, np.float64).reshape(-1, 2)
        self.distances: Distances = travel.between(at[:, 0], at[:, 1])

    def way(self, here: tuple[str, str], there: tuple[str, str]) -> tuple[int, int]:
        """Seconds and metres; none within one place."""
        if here == there:
            return 0, 0
        a, b = self.index[here], self.index[there]
        return int(self.distances.seconds[a, b]), int(self.distances.metres[a, b])


def _partition(plan: RoundPlan, request: PlanRequest) -> Iterator[Violation]:
    planned = Counter(job for r in plan.rounds for job in r.jobs)
    not_planned = Counter(u.job for u in plan.unplanned)
    known = {job.id for job in request.jobs}
    for job in sorted(set(planned) | set(not_planned) | known):
        if job not in known:
            yield Violation(kind="unknown_job", job=job, detail=f"There is no job {job}.")
        elif planned[job] + not_planned[job] == 0:
            yield Violation(
                kind="missing", job=job, detail="Neither planned nor with a reason why not."
            )
        elif planned[job] and not_planned[job]:
            yield Violation(
                kind="planned_and_not", job=job, detail="Planned, and with a reason why not."
            )
        elif planned[job] + not_planned[job] > 1:
            yield Violation(kind="twice", job=job, detail="More than once in the plan.")
    for (technician, day), count in Counter((r.technician, r.day) for r in plan.rounds).items():
        if count > 1:
            yield Violation(
                kind="two_rounds", technician=technician, day=day, detail="Two rounds on one day."
            )


def _round(r: Round, request: PlanRequest, road: _Road) -> Iterator[Violation]:
    technician, shift = road.technicians.get(r.technician), road.shifts.get((r.technician, r.day))
    if technician is None or shift is None:
        yield _of(r, "no_shift", "Nobody works on that day.")
        return
    jobs = [road.jobs[job] for job in r.jobs if job in road.jobs]
    if len(jobs) < len(r.jobs) or any(stop.site not in road.sites for stop in r.stops):
        return
    yield from _frame(r, shift, request, any(job.urgent for job in jobs))
    for stop in r.stops:
        for job_id, start in zip(stop.jobs, stop.starts, strict=True):
            job = road.jobs[job_id]
            yield from _who(r, job, technician)
            if job.site != stop.site:
                yield _of(r, "sums", "The job is at another site.", job_id)
            yield from _when(r, job, road.sites[stop.site], start, request)
        yield from _near(r, road.sites[stop.site], request)
    yield from _times(r, shift, road)
    yield from _lunch(r, shift, road)


def _frame(r: Round, shift: Shift, request: PlanRequest, urgent: bool) -> Iterator[Violation]:
    if r.depart < max(shift.start, request.now):
        yield _of(r, "leaves_early", "Leaves before the shift begins, or in the past.")
    latest = shift.end + shift.overtime_s - (0 if urgent else shift.reserve_s)
    if r.back > latest:
        minutes = -(-(r.back - latest) // 60)
        yield _of(r, "home_late", f"Home {minutes} min too late for the shift and its reserve.")
    if {local_date(at, request.zone).isoformat() for at in (r.depart,)} != {r.day}:
        yield _of(r, "another_day", "Leaves on another day.")


def _who(r: Round, job: RoundJob, technician: Technician) -> Iterator[Violation]:
    held = {s.name for s in technician.skills if s.until == "" or r.day <= s.until}
    lacking = sorted(job.skills - held)
    if lacking:
        yield _of(r, "no_skill", f"Not valid on that day: {', '.join(lacking)}.", job.id)
    if job.only and job.only != technician.id:
        yield _of(r, "wrong_technician", "Another technician was asked for.", job.id)
    if job.people > 1:
        yield _of(r, "needs_two", "Needs two people; one was planned.", job.id)
    if job.on_stop and not (job.safety or job.urgent):
        yield _of(r, "on_stop", "The customer is on stop.", job.id)


def _when(
    r: Round, job: RoundJob, site: RoundSite, start: int, request: PlanRequest
) -> Iterator[Violation]:
    end = start + job.duration_s
    if start < job.earliest:
        yield _of(r, "too_early", "Begins before the job may.", job.id)
    if job.parts_ready is None or start < job.parts_ready:
        yield _of(r, "parts", "Begins before the parts are in hand.", job.id)
    if job.hard is not None and start > job.hard and not _due_now(job, request):
        yield _of(r, "pointless", "Begins when there is no point in it any more.", job.id)
    if site.hours is not None and not any(h.start <= start and end <= h.end for h in site.hours):
        yield _of(r, "shut", "The site lets nobody in at that time.", job.id)
    running = end - job.test_s
    tests = site.test_hours if job.test_s else None
    if tests is not None and not any(h.start <= running and end <= h.end for h in tests):
        yield _of(r, "test_hours", "No engine may run there at that time.", job.id)
    ahead = [p for p in job.promises if p.end >= _opens(request)]
    if ahead and not any(p.start <= start <= p.end for p in ahead):
        yield _of(r, "promise", "Begins outside what was promised.", job.id)


def _opens(request: PlanRequest) -> int:
    """The first moment a plan may use."""
    return max(day_bounds(date.fromisoformat(request.first_day), request.zone)[0], request.now)


def _due_now(job: RoundJob, request: PlanRequest) -> bool:
    """Whether the job is due in the horizon: its due date, brought in by its uncertainty, or the
    end of what was promised."""
    last = date.fromordinal(date.fromisoformat(request.first_day).toordinal() + request.days - 1)
    dates = [max(p.end for p in job.promises)] if job.promises else []
    if job.due is not None:
        sooner = int(job.due - request.economics.z_sigma * job.sigma_days * 86_400)
        dates.append(min(job.due, max(sooner, job.earliest + 86_400)))
    return job.urgent or (bool(dates) and min(dates) < day_bounds(last, request.zone)[1])


def _near(r: Round, site: RoundSite, request: PlanRequest) -> Iterator[Violation]:
    if site.lat is None or site.lon is None:
        yield _of(r, "too_far", "Nobody knows where the site is.")
        return
    if request.radius_km is None:
        return
    km = min(distance_km(site.lat, site.lon, t.lat, t.lon) for t in request.technicians)
    if km > request.radius_km:
        yield _of(r, "too_far", f"A site is {km:.0f} km from the nearest base.")


def _works(r: Round, road: _Road) -> list[tuple[int, int, str]]:
    """(begin, end, site) of each piece of work."""
    return [
        (start, start + road.jobs[job].duration_s, stop.site)
        for stop in r.stops
        for job, start in zip(stop.jobs, stop.starts, strict=True)
    ]


def _times(r: Round, shift: Shift, road: _Road) -> Iterator[Violation]:
    """Between two pieces of work there is time for the way, the gate and a break that falls there."""
    here = ("site", shift.start_site) if shift.start_site else ("base", r.technician)
    free, metres, seconds, first = r.depart, 0, 0, True
    works = _works(r, road)
    for begin, end, site in [*works, (r.back, r.back, "")]:
        there = ("site", site) if site else ("base", r.technician)
        needs_s, needs_m = road.way(here, there)
        metres, seconds = metres + needs_m, seconds + needs_s
        gate = 0
        if site and (first or there != here):
            gate = road.sites[site].access_s + road.sites[site].extra_s
        pause = _overlap(r.lunch, free, begin)
        if begin - free < needs_s + gate + pause:
            short = -(-(needs_s + gate + pause - (begin - free)) // 60)
            yield _of(r, "no_time", f"{short} min too short for the way there.")
        free, here, first = end, there, False
    for stop in r.stops:
        last = max(a + road.jobs[j].duration_s for j, a in zip(stop.jobs, stop.starts, strict=True))
        if stop.start != stop.starts[0] or stop.finish != last or stop.arrive > stop.start:
            yield _of(r, "sums", "A stop's times do not agree with its jobs'.")
    work = sum(end - begin for begin, end, _ in works)
    if (metres, seconds, work) != (r.metres, r.travel_s, r.work_s):
        yield _of(r, "sums", "Metres, driving or work do not add up.")


def _lunch(r: Round, shift: Shift, road: _Road) -> Iterator[Violation]:
    if shift.lunch_s == 0:
        return
    if r.lunch is None:
        if r.back - r.depart > SIX_HOURS_S:
            yield _of(r, "lunch_missing", "More than six hours without a break.")
        return
    inside = r.depart <= r.lunch.start and r.lunch.end <= r.back
    busy = any(_overlap(r.lunch, begin, end) for begin, end, _ in _works(r, road))
    if busy or not inside or r.lunch.end - r.lunch.start != shift.lunch_s:
        yield _of(r, "lunch_wrong", "The break is too short, or falls into work.")


def _frozen(plan: RoundPlan, request: PlanRequest) -> Iterator[Violation]:
    at = {
        job: (r, start)
        for r in plan.rounds
        for stop in r.stops
        for job, start in zip(stop.jobs, stop.starts, strict=True)
    }
    for pin in request.pins:
        if (
            pin.level != "frozen"
            or pin.job not in at
            or pin.start + FROZEN_MAY_SLIP_S < _opens(request)
        ):
            continue
        r, start = at[pin.job]
        slip = start - pin.start
        if (r.technician, r.day) != (pin.technician, pin.day) or not (
            0 <= slip <= FROZEN_MAY_SLIP_S
        ):
            yield _of(r, "frozen_moved", "A fixed job was moved.", pin.job)


def _overlap(span: Span | None, begin: int, end: int) -> int:
    return max(0, min(span.end, end) - max(span.start, begin)) if span else 0


def _of(r: Round, kind: str, detail: str, job: str = "") -> Violation:
    return Violation(kind=kind, detail=detail, job=job, technician=r.technician, day=r.day)
