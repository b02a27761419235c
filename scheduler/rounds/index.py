"""A request read once: days, shifts, sites, who may do what, what keeping is worth.

No distances between sites here, so it holds ten thousand of them.
"""

from __future__ import annotations

from bisect import bisect_right
from datetime import date

import numpy as np

from fleet.calendar import day_bounds, days_from
from fleet.model.round_plan import half_day, half_of
from scheduler.rounds.model import (
    Economics,
    Pin,
    PlanRequest,
    Question,
    RoundJob,
    RoundSite,
    Shift,
    Technician,
)
from scheduler.rounds.money import money
from scheduler.rounds.travel import Degrees, Estimate, great_circle_m

FROZEN_EACH = 5_000.0
"""Currency for the time and for the technician of a frozen job: bounded, never "must"
(docs/engineering/rounds.md#the-engine). Definition."""
FROZEN_SLACK_S = 900
"""A frozen job may begin at most so much after its moment, when the way there changed. Common
practice, no source."""


Key = tuple[str, str]
"""Technician and day."""


class RequestIndex:
    """Everything about a request that needs no distance between sites."""

    def __init__(self, request: PlanRequest) -> None:
        self.request, self.economics = request, request.economics
        self.days = days_from(request.first_day, request.days)
        bounds = [day_bounds(date.fromisoformat(day), request.zone) for day in self.days]
        self.midnights = [begin for begin, _ in bounds]
        self.begin, self.end = bounds[0][0], bounds[-1][1]
        self.earliest = max(self.begin, request.now)
        self.sites: dict[str, RoundSite] = {site.id: site for site in request.sites}
        self.jobs: dict[str, RoundJob] = {job.id: job for job in request.jobs}
        self.technicians: dict[str, Technician] = {t.id: t for t in request.technicians}
        within = set(self.days)
        self.shifts: dict[Key, Shift] = {
            (t.id, shift.day): shift
            for t in request.technicians
            for shift in t.shifts
            if shift.day in within and shift.end > request.now
        }
        self.skills = {key: self.technicians[key[0]].can(key[1]) for key in self.shifts}
        self.pins: dict[str, Pin] = {
            pin.job: pin
            for pin in request.pins
            if pin.job in self.jobs and not _over(pin, self.earliest)
        }
        self.questions = _questions(request)
        self.asked = {question.site for question in self.questions}
        self.later = trip_later(request, self.asked)
        self._able: dict[str, tuple[Key, ...]] = {}
        self._sets: dict[tuple[frozenset[str], str, str], tuple[Key, ...]] = {}
        self._members: dict[int, frozenset[Key]] = {}
        self._longest: dict[str, int] = {}
        self._overtime: dict[str, int] = {}
        self._way: dict[str, dict[str, int]] = {}

    def day_of(self, at: int) -> int:
        """Days from the first midnight of the horizon; below 0 before it."""
        if at < self.begin:
            return (at - self.begin) // 86_400
        if at >= self.end:
            return len(self.days) + (at - self.end) // 86_400
        return bisect_right(self.midnights, at) - 1

    def midnight(self, day: int) -> int:
        """UTC second at which the day of that number begins."""
        if 0 <= day < len(self.days):
            return self.midnights[day]
        past = (day - len(self.days)) * 86_400 + self.end
        return past if day >= 0 else self.begin + day * 86_400

    def able(self, job_id: str) -> tuple[Key, ...]:
        """Technician-days on which somebody holds every skill for the job."""
        if job_id not in self._able:
            job, pin = self.jobs[job_id], self.pins.get(job_id)
            frozen = pin.technician if pin and pin.level == "frozen" else ""
            self._able[job_id] = self._who(job.skills, job.only, frozen)
        return self._able[job_id]

    def may(self, job_id: str, key: Key) -> bool:
        """Whether somebody holds every skill for the job on that technician-day."""
        able = self.able(job_id)
        if id(able) not in self._members:
            self._members[id(able)] = frozenset(able)
        return key in self._members[id(able)]

    def _who(self, skills: frozenset[str], only: str, frozen: str) -> tuple[Key, ...]:
        asked = (skills, only, frozen)
        if asked not in self._sets:
            self._sets[asked] = tuple(
                key
                for key, held in self.skills.items()
                if skills <= held and only in ("", key[0]) and frozen in ("", key[0])
            )
        return self._sets[asked]

    def limit(self, key: Key, urgent: bool = False) -> int:
        """Latest moment back at base: an urgent job may use the day's reserve."""
        shift = self.shifts[key]
        return shift.end + shift.overtime_s - (0 if urgent else shift.reserve_s)

    def begins(self, key: Key) -> int:
        """Earliest moment to leave on a technician-day."""
        return max(self.shifts[key].start, self.request.now)

    def longest(self, technician: str) -> int:
        """Seconds of the technician's longest day, its reserve taken off."""
        if not self._longest:
            for key in self.shifts:
                room = self.limit(key) - self.begins(key)
                self._longest[key[0]] = max(room, self._longest.get(key[0], 0))
        return self._longest.get(technician, 0)

    def overtime(self, technician: str) -> int:
        """Seconds of overtime on the technician's longest-lasting day, at most."""
        if not self._overtime:
            for key, shift in self.shifts.items():
                self._overtime[key[0]] = max(shift.overtime_s, self._overtime.get(key[0], 0))
        return self._overtime.get(technician, 0)

    def way_s(self, site: str) -> dict[str, int]:
        """Seconds from each base to a site, by the estimate."""
        if site not in self._way:
            place, bases = self.sites[site], list(self.technicians.values())
            _, seconds = Estimate().from_to(
                np.array([place.lat], np.float64),
                np.array([place.lon], np.float64),
                np.array([t.lat for t in bases]),
                np.array([t.lon for t in bases]),
            )
            self._way[site] = {t.id: int(s) for t, s in zip(bases, seconds[0], strict=True)}
        return self._way[site]

    def kept(self, pin: Pin, technician: str, at: int) -> int:
        """Money earned by keeping what was arranged: the half-day (told) or day, the technician."""
        amount = self.keeping(pin)
        zone = self.request.zone
        if pin.level == "published":
            same = self.day_of(at) == self.day_of(pin.start)
        else:
            same = half_of(at, zone) == half_of(pin.start, zone)
        return amount * (same + (technician == pin.technician))

    def keeping(self, pin: Pin) -> int:
        """Money for each half of an arrangement kept."""
        e: Economics = self.economics
        amounts = {
            "frozen": FROZEN_EACH,
            "published": e.keep_published,
            "told": e.keep_told,
            "retold": e.keep_retold,
        }
        return money(amounts.get(pin.level, 0.0))

    def kept_span(self, pin: Pin) -> tuple[int, int]:
        """The span a job must begin in to keep its arrangement."""
        if pin.level == "published":
            day = self.day_of(pin.start)
            return self.midnight(day), self.midnight(day + 1) - 1
        span = half_day(*half_of(pin.start, self.request.zone), self.request.zone)
        return span.start, span.end - 1


def _over(pin: Pin, earliest: int) -> bool:
    """Whether a fixed moment has passed: it binds nobody any more."""
    return pin.level == "frozen" and pin.start + FROZEN_SLACK_S < earliest


def _questions(request: PlanRequest) -> tuple[Question, ...]:
    """Sites without a place, or farther from every base than the radius (case of swapped axes)."""
    found = []
    lat = np.array([t.lat for t in request.technicians])
    lon = np.array([t.lon for t in request.technicians])
    for site in request.sites:
        if site.lat is None or site.lon is None:
            found.append(Question(kind="no_place", site=site.id))
        elif request.radius_km is not None and len(lat):
            km = float(great_circle_m(site.lat, site.lon, lat, lon).min()) / 1000
            if km > request.radius_km:
                swapped = float(great_circle_m(site.lon, site.lat, lat, lon).min()) / 1000
                found.append(
                    Question(
                        kind="swapped" if swapped <= request.radius_km else "too_far",
                        site=site.id,
                        km=round(km, 1),
                    )
                )
    return tuple(found)


STOPS_A_DAY = 4
"""A separate trip later is shared by so many stops; common practice, no source."""


def trip_later(request: PlanRequest, asked: set[str]) -> dict[str, int]:
    """Money of a separate trip later to each site, by the estimate whatever the travel source.

    There and back to the nearest base shared by `STOPS_A_DAY`, plus the way to the third nearest
    site, driven at 60 km/h (common practice, no source).
    """
    sites = [site for site in request.sites if site.id not in asked]
    if not sites or not request.technicians:
        return {}
    lat = np.array([site.lat for site in sites], np.float64)
    lon = np.array([site.lon for site in sites], np.float64)
    bases = np.array([(t.lat, t.lon) for t in request.technicians], np.float64)
    estimate = Estimate()
    home = estimate.from_to(bases[:, 0], bases[:, 1], lat, lon)[0].min(axis=0)
    hop = _third_nearest_m(lat, lon) * estimate.road_factor
    e = request.economics
    km = (2 * home / STOPS_A_DAY + hop) / 1000
    return {
        site.id: money(float(length) * (e.km + e.hour / 60))
        for site, length in zip(sites, km, strict=True)
    }


def _third_nearest_m(lat: Degrees, lon: Degrees) -> Degrees:
    """Great-circle metres to the third nearest other site (fewer sites: the farthest there is)."""
    from scipy.spatial import cKDTree  # here: the worker has no use for it and starts sooner

    phi, lam = np.radians(lat), np.radians(lon)
    xyz = np.column_stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])
    chord, _ = cKDTree(xyz).query(xyz, k=min(4, len(lat)))
    last = chord if chord.ndim == 1 else chord[:, -1]
    found: Degrees = 2 * 6_371_008.8 * np.arcsin(np.minimum(1.0, last / 2))
    return found
