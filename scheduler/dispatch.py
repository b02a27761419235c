"""The office's book as the planner's question, and a plan as what it means for jobs. Pure."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import date, time

import msgspec

from fleet.calendar import DAY_S, day_bounds, instant, local_date
from fleet.model import Job, JobStep, Promise, Site, SiteCard, Technician
from fleet.model.book import Book, FeedEvent
from scheduler import work
from scheduler.rounds import nouns as rounds
from scheduler.rounds.spans import days_from, half_day, half_of, weekly

PLANNED_STATES = frozenset({"open", "call_first", "waiting_part", "booked", "part_done"})
"""Jobs the planner may place; those under way or waiting for a yes are left where they are."""
LOAD_DAYS = 42
"""Shifts are told so far ahead, for the load of later weeks."""
DAYS = 14
TEST_RUN_S = 600
"""Service ends with a test run of so long, where a site has hours for it; common practice."""
LIMITS = rounds.Limits()
APPOINTMENT_S = 900
"""An appointment is kept when work begins within a quarter of an hour; common practice."""
PUBLISHED_DAYS = 5
"""Beyond so many days a plan is free to change (ROUNDS 6, three zones)."""

_plan = msgspec.json.Decoder(rounds.RoundPlan).decode


def decode(doc: bytes) -> rounds.RoundPlan:
    """A plan from its document."""
    return _plan(doc)


def encode(plan: rounds.RoundPlan) -> bytes:
    """A plan as its document."""
    return msgspec.json.encode(plan)


def office_zone(book: Book) -> str:
    """The zone of the office: that of most technicians, else of most sites, else UTC."""
    zones = Counter(one.time_zone for one in book.technicians)
    zones = zones or Counter(site.time_zone for site in book.sites.values())
    return min(zones, key=lambda name: (-zones[name], name)) if zones else "UTC"


def request(
    book: Book, now: int, limits: rounds.Limits = LIMITS, days: int = DAYS,
    told: rounds.RoundPlan | None = None, freeze_today: bool = False,
) -> rounds.PlanRequest:  # fmt: skip
    """What the planner is asked, from today on in the office's zone.

    told: the plan in force, whose arrangements are kept where they can be. freeze_today: what
    stands in it for today does not move.
    """
    zone = office_zone(book)
    today = local_date(now, zone)
    first_day = today.isoformat()
    planned = [job for job in book.jobs if job.state in PLANNED_STATES]
    sites = {job.where for job in planned if job.where}
    return rounds.PlanRequest(
        first_day=first_day,
        days=days,
        zone=zone,
        sites=tuple(
            _site(book.sites[id], book.cards.get(id), first_day, days)
            for id in sorted(sites)
            if id in book.sites
        ),
        jobs=tuple(_job(job, book) for job in planned if job.where in book.sites),
        technicians=tuple(_technician(one, first_day, zone) for one in book.technicians),
        pins=pins(planned, told, today, book, freeze_today),
        previous=told,
        now=now,
        limits=limits,
    )


def _site(site: Site, card: SiteCard | None, first_day: str, days: int) -> rounds.RoundSite:
    card = card or SiteCard(site=site.id)
    hours = weekly(card.hours, first_day, days, site.time_zone) if card.hours else None
    tests = weekly(card.test_hours, first_day, days, site.time_zone) if card.test_hours else None
    return rounds.RoundSite(
        id=site.id, lat=site.lat, lon=site.lon, name=site.name, access_s=60 * card.access_min,
        hours=hours, test_hours=tests, extra_s=60 * card.extra_min, extra_money=card.toll,
        over_water=card.over_water,
    )  # fmt: skip


def _job(job: Job, book: Book) -> rounds.RoundJob:
    site = book.sites[job.where]
    contract = book.contracts.get(job.customer)
    card = book.cards.get(job.where)
    due = day_bounds(date.fromisoformat(job.due_on), site.time_zone)[1] - 1 if job.due_on else None
    tests = bool(job.unit and job.task and card and card.test_hours)
    unit = book.units.get(job.unit)
    return rounds.RoundJob(
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
        (one.id for one in technicians if wanted and wanted in (one.id.casefold(), one.name.casefold())),
        "",
    )  # fmt: skip


def promises(promise: Promise | None, zone: str) -> tuple[rounds.Span, ...]:
    """The moments in which work must begin by what the customer agreed; a half-day told from a
    plan is a standing arrangement instead."""
    if promise is None or not (promise.agreed or promise.at is not None):
        return ()
    if promise.at is not None:
        return (rounds.Span(promise.at, promise.at + APPOINTMENT_S),)
    return (half_day(promise.day, promise.half, zone),)


def _technician(one: Technician, first_day: str, zone: str) -> rounds.Technician:
    return rounds.Technician(
        id=one.id, lat=one.lat, lon=one.lon, name=one.name,
        skills=tuple(rounds.Skill(skill.name, skill.until) for skill in one.skills),
        shifts=tuple(_shifts(one, first_day)),
    )  # fmt: skip


def _shifts(one: Technician, first_day: str) -> Iterable[rounds.Shift]:
    for day in days_from(first_day, LOAD_DAYS):
        if any(leave.first <= day <= leave.last for leave in one.leave):
            continue
        walls = one.week.get(date.fromisoformat(day).weekday(), ())
        if not walls:
            continue
        opens, closes = walls[0][0], walls[-1][1]
        on = date.fromisoformat(day)
        end = day_bounds(on, one.time_zone)[1] if closes == "24:00" else _at(on, closes, one)
        yield rounds.Shift(
            day=day, start=_at(on, opens, one), end=end, lunch_s=60 * one.lunch_min,
            overtime_s=60 * one.overtime_min, reserve_s=60 * one.reserve_min,
        )  # fmt: skip


def _at(day: date, wall: str, one: Technician) -> int:
    return instant(day, time.fromisoformat(wall), one.time_zone)


def pins(
    jobs: Iterable[Job], plan: rounds.RoundPlan | None, today: date, book: Book,
    freeze_today: bool = False,
) -> tuple[rounds.Pin, ...]:  # fmt: skip
    """Standing arrangements: put there by hand, told to the customer, told to technicians."""
    placed = places(plan) if plan else {}
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


def _pin(job: str, level: rounds.PinLevel, who: str, day: str, start: int) -> rounds.Pin:
    return rounds.Pin(job=job, level=level, technician=who, day=day, start=start)


def places(plan: rounds.RoundPlan) -> dict[str, tuple[str, str, int]]:
    """Job to (technician, day, start of its work) in a plan."""
    return {
        job: (one.technician, one.day, start)
        for one in plan.rounds
        for stop in one.stops
        for job, start in zip(stop.jobs, stop.starts, strict=True)
    }


def events(plan: rounds.RoundPlan, book: Book) -> tuple[FeedEvent, ...]:
    """The visits of a plan as calendars show them."""
    jobs = {job.id: job for job in book.jobs}
    found = []
    for one in plan.rounds:
        for stop in one.stops:
            site = book.sites.get(stop.site)
            here = [jobs[id] for id in stop.jobs if id in jobs]
            found.append(
                FeedEvent(
                    uid=uid_of(stop.jobs), technician=one.technician, start=stop.start,
                    end=max(stop.finish, stop.start + 60),
                    summary=f"{site.name if site else stop.site}: "
                    + ", ".join(work.outward(job.title) for job in here),
                    place=site.address if site else "",
                    text="\n".join(f"{job.unit} {work.outward(job.title)}".strip() for job in here),
                    lat=site.lat if site else None, lon=site.lon if site else None,
                )
            )  # fmt: skip
    return tuple(found)


def uid_of(jobs: Iterable[str]) -> str:
    """A visit's identity: by the first of its jobs' ids, so that it keeps when others join."""
    return hashlib.sha256(min(jobs).encode()).hexdigest()[:24] + "@hourhand"


def told_step(
    job: Job, plan: rounds.RoundPlan, zone: str, now: int, by: str
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
    return work.advance(job, "tell", now, by, changes={"promise": promise})


def begun(plan: rounds.RoundPlan, now: int) -> bool:
    """Whether work of a plan has begun on a day that is not over yet."""
    return any(one.depart <= now < one.back for one in plan.rounds)


def with_begun(told: rounds.RoundPlan | None, made: rounds.RoundPlan, now: int) -> rounds.RoundPlan:
    """A plan made in mid-day, with today's stops of the plan in force that have begun in front.

    So that a technician's list keeps its morning. Days before the new plan's first are left out.
    """
    if told is None:
        return made
    again = {job for one in made.rounds for job in one.jobs}
    rest = {(one.technician, one.day): one for one in made.rounds}
    for old in told.rounds:
        stops = tuple(filter(None, (_begun(stop, again, now) for stop in old.stops)))
        if old.day == made.first_day and stops:
            key = (old.technician, old.day)
            rest[key] = _joined(old, stops, rest.get(key))
    ordered = sorted(rest.values(), key=lambda one: (one.day, one.technician))
    return msgspec.structs.replace(made, rounds=tuple(ordered))


def _begun(stop: rounds.Stop, again: set[str], now: int) -> rounds.Stop | None:
    """The part of a stop that has begun and is not planned anew."""
    pairs = [
        (job, start)
        for job, start in zip(stop.jobs, stop.starts, strict=True)
        if start <= now and job not in again
    ]
    if not pairs:
        return None
    return msgspec.structs.replace(
        stop, jobs=tuple(job for job, _ in pairs), starts=tuple(start for _, start in pairs)
    )


def _joined(
    old: rounds.Round, stops: tuple[rounds.Stop, ...], new: rounds.Round | None
) -> rounds.Round:
    """What has begun of a round and what is left of it, as one; work at one place is one stop."""
    if new is None:
        return msgspec.structs.replace(old, stops=stops)
    last, following = stops[-1], new.stops
    if following and following[0].site == last.site and not following[0].metres:
        more = following[0]
        last = msgspec.structs.replace(
            last, jobs=(*last.jobs, *more.jobs), starts=(*last.starts, *more.starts),
            finish=more.finish, late_days=max(last.late_days, more.late_days),
            pulled_forward=(*last.pulled_forward, *more.pulled_forward),
        )  # fmt: skip
        following = following[1:]
    return msgspec.structs.replace(
        new, depart=old.depart, stops=(*stops[:-1], last, *following), lunch=new.lunch or old.lunch,
        metres=new.metres + sum(stop.metres for stop in stops),
        travel_s=new.travel_s + sum(stop.travel_s for stop in stops),
        work_s=new.work_s + sum(stop.finish - stop.start for stop in stops),
    )  # fmt: skip


def round_of(plan: rounds.RoundPlan, technician: str, day: str) -> rounds.Round | None:
    """The round of a technician's day, or None."""
    found = (one for one in plan.rounds if one.technician == technician and one.day == day)
    return next(found, None)


def parts_for(one: rounds.Round, jobs: Mapping[str, Job]) -> dict[str, float]:
    """Parts to load for a round."""
    return work.needed(jobs[id] for id in one.jobs if id in jobs)


def age_days(at: int, now: int) -> int:
    """Whole days since a moment."""
    return max(0, (now - at) // DAY_S)
