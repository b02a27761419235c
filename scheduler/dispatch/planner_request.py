"""The office's book as the planner's question."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, time

from fleet.calendar import day_bounds, days_from, instant, local_date
from fleet.model import Job, Site, SiteCard, Technician
from fleet.model.book import Book
from fleet.model.round_plan import RoundPlan, weekly
from scheduler.dispatch.standing import pins, promises
from scheduler.rounds import model
from scheduler.rounds.model import PlanRequest, RoundJob, RoundSite

PLANNED_STATES = frozenset({"open", "call_first", "waiting_part", "booked", "part_done"})
"""Jobs the planner may place; those under way or waiting for a yes are left where they are."""
DAYS = 14
"""Days that are planned where nobody says. Common practice, no source."""
TEST_RUN_S = 600
"""Service ends with a test run of so long, where a site has hours for it; common practice, no
source."""


def fits_in(job: Job) -> bool:
    """Whether a job may be fitted into the rounds of today: it is urgent, and the planner may place it."""
    return job.urgent and job.state in PLANNED_STATES


def request(
    book: Book,
    now: int,
    days: int = DAYS,
    told: RoundPlan | None = None,
    freeze_today: bool = False,
) -> PlanRequest:
    """What the planner is asked, from today on in the office's zone.

    told: the plan in force, whose arrangements are kept where they can be, and where people are
    today. freeze_today: what stands in it for today does not move.
    """
    zone = book.zone
    today = local_date(now, zone)
    first_day = today.isoformat()
    planned = [job for job in book.jobs if job.state in PLANNED_STATES]
    sites = {job.where for job in planned if job.where}
    sites |= told.visited(first_day) if told else set()
    return PlanRequest(
        first_day=first_day,
        days=days,
        zone=zone,
        sites=tuple(
            _site(book.sites[id], book.cards.get(id), first_day, days)
            for id in sorted(sites)
            if id in book.sites
        ),
        jobs=tuple(_job(job, book) for job in planned if job.where in book.sites),
        technicians=tuple(technician_of(one, first_day, zone) for one in book.technicians),
        pins=pins(planned, told, today, book, freeze_today),
        previous=told,
        now=now,
    )


def _site(site: Site, card: SiteCard | None, first_day: str, days: int) -> RoundSite:
    card = card or SiteCard(site=site.id)
    hours = weekly(card.hours, first_day, days, site.time_zone) if card.hours else None
    tests = weekly(card.test_hours, first_day, days, site.time_zone) if card.test_hours else None
    return RoundSite(
        id=site.id,
        lat=site.lat,
        lon=site.lon,
        name=site.name,
        access_s=60 * card.access_min,
        hours=hours,
        test_hours=tests,
        extra_s=60 * card.extra_min,
        extra_money=card.toll,
        over_water=card.over_water,
    )


def _job(job: Job, book: Book) -> RoundJob:
    site = book.sites[job.where]
    contract = book.contracts.get(job.customer)
    card = book.cards.get(job.where)
    due = day_bounds(date.fromisoformat(job.due_on), site.time_zone)[1] - 1 if job.due_on else None
    tests = bool(job.unit and job.task and card and card.test_hours)
    unit = book.units.get(job.unit)
    return RoundJob(
        id=job.id,
        site=job.where,
        duration_s=60 * job.minutes,
        due=due,
        sigma_days=job.sigma_days,
        skills=frozenset({job.skill} if job.skill else ()),
        parts_ready=_parts_ready(job, site.time_zone),
        safety=job.safety,
        urgent=job.urgent,
        reported=job.opened_at,
        routine=job.routine,
        on_stop=bool(contract and contract.on_stop),
        people=job.people,
        call_first=job.state == "call_first",
        interval_days=job.interval_days,
        test_s=min(TEST_RUN_S, 60 * job.minutes) if tests else 0,
        promises=promises(job.promise, site.time_zone),
        technician=_named(unit.technician if unit else "", book.technicians),
        only=job.technician,
        units=(job.unit,) if job.unit else (),
    )


def _parts_ready(job: Job, zone: str) -> int | None:
    """When the parts are in hand: a date, now, or (waiting without a date) nobody knows."""
    if job.parts_on:
        return day_bounds(date.fromisoformat(job.parts_on), zone)[0]
    return None if job.state == "waiting_part" else 0


def _named(name: str, technicians: Iterable[Technician]) -> str:
    """The technician a register's name means; "" where none."""
    wanted = name.strip().casefold()
    return next(
        (
            one.id
            for one in technicians
            if wanted and wanted in (one.id.casefold(), one.name.casefold())
        ),
        "",
    )


LOAD_DAYS = 42
"""Shifts are told so far ahead, for the load of later weeks. Common practice, no source."""


def technician_of(one: Technician, first_day: str, zone: str) -> model.Technician:
    """A technician with the shifts of LOAD_DAYS from a day on; first_day: ISO date."""
    return model.Technician(
        id=one.id,
        lat=one.lat,
        lon=one.lon,
        name=one.name,
        skills=tuple(model.Skill(skill.name, skill.until) for skill in one.skills),
        shifts=tuple(_shifts(one, first_day)),
    )


def _shifts(one: Technician, first_day: str) -> Iterable[model.Shift]:
    for day in days_from(first_day, LOAD_DAYS):
        if any(leave.first <= day <= leave.last for leave in one.leave):
            continue
        walls = one.week.get(date.fromisoformat(day).weekday(), ())
        if not walls:
            continue
        opens, closes = walls[0][0], walls[-1][1]
        on = date.fromisoformat(day)
        end = day_bounds(on, one.time_zone)[1] if closes == "24:00" else _at(on, closes, one)
        yield model.Shift(
            day=day,
            start=_at(on, opens, one),
            end=end,
            lunch_s=60 * one.lunch_min,
            overtime_s=60 * one.overtime_min,
            reserve_s=60 * one.reserve_min,
        )


def _at(day: date, wall: str, one: Technician) -> int:
    return instant(day, time.fromisoformat(wall), one.time_zone)
