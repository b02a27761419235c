"""Small areas to plan rounds in, and a plan that the checker has always looked at."""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec

from fleet.calendar import days_from
from scheduler.rounds import (
    Estimate,
    Limits,
    PlanRequest,
    RoundJob,
    RoundPlan,
    RoundSite,
    Shift,
    Skill,
    Span,
    Technician,
    check,
    plan,
    weekly,
)

Noun = TypeVar("Noun", bound=msgspec.Struct)

FIRST_DAY, ZONE = "2026-05-04", "Europe/Berlin"
BASE_LAT, BASE_LON = 51.0, 9.5
KM_LAT, KM_LON = 1 / 111.2, 1 / 70.0
DAY_S, HOUR_S = 86_400, 3600
QUICK = Limits(iterations=300, seed=1)
CORE = Limits(solver=False)
"""Planned by hand and repaired: for tests of what the solver has no part in."""
BEGIN = weekly({0: [("00:00", "24:00")]}, FIRST_DAY, 1, ZONE)[0].start
"""Midnight of the first Monday, UTC seconds."""


def at(day: int, hour: float) -> int:
    """UTC seconds of an hour on the wall, so many days after the first Monday (no clock change)."""
    return BEGIN + day * DAY_S + round(hour * HOUR_S)


def site(name: str, east_km: float = 5.0, north_km: float = 0.0, **more: Any) -> RoundSite:
    """A site so far from the base."""
    lat, lon = BASE_LAT + north_km * KM_LAT, BASE_LON + east_km * KM_LON
    return RoundSite(id=name, lat=lat, lon=lon, **more)


def job(name: str, place: str = "", **more: Any) -> RoundJob:
    """An hour of work, due in a week, at the site of the same name unless said."""
    given: dict[str, Any] = {"duration_s": HOUR_S, "due": at(4, 23), **more}
    return RoundJob(id=name, site=place or name, **given)


def technician(
    name: str = "T0", days: int = 5, skills: tuple[str, ...] = (), **more: Any
) -> Technician:
    """Works Monday to Friday, seven to four."""
    hours = {d: [("07:00", "16:00")] for d in range(5)}
    shifts = tuple(
        Shift(day=day, start=span.start, end=span.end, **more)
        for day in days_from(FIRST_DAY, days)
        for span in weekly(hours, day, 1, ZONE)
    )
    return Technician(
        id=name, lat=BASE_LAT, lon=BASE_LON, skills=tuple(Skill(s) for s in skills), shifts=shifts
    )


def request(
    sites: list[RoundSite],
    jobs: list[RoundJob],
    technicians: list[Technician] | None = None,
    **more: Any,
) -> PlanRequest:
    """A week to plan, without the solver unless limits say otherwise."""
    given: dict[str, Any] = {"days": 7, "limits": CORE, **more}
    return PlanRequest(
        first_day=FIRST_DAY,
        zone=ZONE,
        sites=tuple(sites),
        jobs=tuple(jobs),
        technicians=tuple(technicians or [technician()]),
        **given,
    )


def changed(noun: Noun, **more: Any) -> Noun:
    """The same noun with some fields changed."""
    return msgspec.structs.replace(noun, **more)


def kinds(made: RoundPlan, asked: PlanRequest) -> list[str]:
    """What the checker objects to."""
    return [violation.kind for violation in check(made, asked, Estimate())]


def planned(asked: PlanRequest, **more: Any) -> RoundPlan:
    """A plan, after the checker has found nothing in it and every job accounted for once."""
    made = plan(asked, **more)
    assert kinds(made, asked) == []
    inside = [name for r in made.rounds for name in r.jobs]
    outside = [u.job for u in made.unplanned]
    assert sorted(inside + outside) == sorted(j.id for j in asked.jobs)
    return made


def where(made: RoundPlan, name: str) -> tuple[str, str, int] | None:
    """Technician, day and begin of a job."""
    for r in made.rounds:
        for stop in r.stops:
            if name in stop.jobs:
                return r.technician, r.day, stop.starts[stop.jobs.index(name)]
    return None


def reason(made: RoundPlan, name: str) -> str:
    """Why a job is not planned, as its one word."""
    (found,) = [u.reason.value for u in made.unplanned if u.job == name]
    return found


__all__ = ["Span"]
