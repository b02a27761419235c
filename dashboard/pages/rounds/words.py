"""A plan as the pages show it: days, rounds, visits, what was left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from dashboard import phrases
from dashboard.deps import Desk
from dashboard.pages.jobs.page import promise_words
from dashboard.pages.rounds.map import Spot, Way
from fleet.calendar import local, local_date
from fleet.geo import distance_km
from fleet.model import Customer, Job, Scope, Site, SiteCard, Technician
from fleet.registry import jobs as kept_jobs
from fleet.registry import rounds as kept
from fleet.registry import sitecard, technicians
from fleet.registry.engine import Registry
from fleet.words import jobs as say
from fleet.words import planned
from scheduler.rounds import Changes, Round, RoundPlan, Stop
from scheduler.rounds.spans import half_of

ROAD = 1.3
"""Road metres over straight ones, as the planner estimates (docs/engineering/rounds.md#roads)."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A plan with the names of all that is in it, as far as the viewer's scope reaches."""

    plan: RoundPlan
    jobs: dict[str, Job]
    places: dict[str, tuple[Site, Customer]]
    cards: dict[str, SiteCard]
    technicians: dict[str, Technician]
    now: int

    @property
    def today(self) -> date:
        return local_date(self.now, self.plan.zone)


def sheet_of(desk: Desk, scope: Scope, plan: RoundPlan) -> Sheet:
    """Everything the pages need of a plan."""
    return gather(desk.registry, scope, plan, desk.clock())


def gather(registry: Registry, scope: Scope, plan: RoundPlan, now: int) -> Sheet:
    """A plan with the names of all that is in it."""
    ids = {job for one in plan.rounds for job in one.jobs} | {u.job for u in plan.unplanned}
    ids |= {c.job for c in plan.changes.changes} | {j for u in plan.unplanned for j in u.blocking}
    jobs = kept_jobs.by_id(registry, scope, ids)
    return Sheet(
        plan=plan,
        jobs=jobs,
        places=kept.places(registry, scope, {job.where for job in jobs.values() if job.where}),
        cards=sitecard.cards(registry, scope),
        technicians={one.id: one for one in technicians.technicians(registry)},
        now=now,
    )


def clock(at: int, zone: str) -> str:
    """A time of day at the place."""
    return local(at, zone).strftime("%H:%M")


def hours(seconds: int) -> str:
    """A length of drive or work: 2 h 10."""
    whole = round(seconds / 60)
    return f"{whole // 60} h {whole % 60:02d}" if whole >= 60 else f"{whole} min"


def days(sheet: Sheet, whose: str | None, until: str = "") -> list[dict[str, Any]]:
    """The plan's days with their rounds; whose: one technician only."""
    found: dict[str, list[Round]] = {}
    for one in sheet.plan.rounds:
        if (whose is None or one.technician == whose) and one.day >= sheet.today.isoformat():
            found.setdefault(one.day, []).append(one)
    return [
        {
            "day": day,
            "name": phrases.day_words(day, sheet.today),
            "date": f"{date.fromisoformat(day):%a} {date.fromisoformat(day).day} {date.fromisoformat(day):%b}",
            "rounds": [round_line(sheet, one) for one in found[day]],
        }
        for day in sorted(found)
        if not until or day <= until
    ]


def round_line(sheet: Sheet, one: Round) -> dict[str, Any]:
    """One technician's day in short."""
    zone, who = sheet.plan.zone, sheet.technicians.get(one.technician)
    stops = [stop_line(sheet, one, n, stop) for n, stop in enumerate(one.stops, 1)]
    return {
        "technician": one.technician,
        "name": who.name if who else one.technician,
        "day": one.day,
        "href": f"/rounds/day/{one.technician}/{one.day}",
        "leave": clock(one.depart, zone),
        "back": clock(one.back, zone),
        "km": f"{one.metres / 1000:.0f} km",
        "drive": hours(one.travel_s),
        "work": hours(one.work_s),
        "lunch": f"{clock(one.lunch.start, zone)} to {clock(one.lunch.end, zone)}"
        if one.lunch
        else "",
        "stops": [stop for stop in stops if stop],
        "untold": sum(1 for stop in stops if stop and stop["untold"]),
    }


def stop_line(sheet: Sheet, one: Round, n: int, stop: Stop) -> dict[str, Any] | None:
    """One visit; None where the viewer's scope does not see its place."""
    if stop.site not in sheet.places:
        return None
    site, customer = sheet.places[stop.site]
    zone = site.time_zone
    day, half = half_of(stop.start, zone)
    jobs = [sheet.jobs[id] for id in stop.jobs if id in sheet.jobs]
    card = sheet.cards.get(stop.site) or SiteCard(site=stop.site)
    return {
        "n": n,
        "site": site.id,
        "place": site.name or customer.name,
        "customer": customer.name,
        "address": site.address,
        "geo": f"geo:{site.lat:.6f},{site.lon:.6f}"
        if site.lat is not None and site.lon is not None
        else "",
        "arrive": clock(stop.arrive, zone),
        "start": clock(stop.start, zone),
        "finish": clock(stop.finish, zone),
        "half": say.HALVES[half],
        "way": f"{stop.metres / 1000:.0f} km, {hours(stop.travel_s)}{', estimated' if stop.estimate else ''}",
        "late": stop.late_days,
        "jobs": [job_line(sheet, job, stop, site) for job in jobs],
        "units": sorted({job.unit for job in jobs if job.unit}),
        "phones": phones(site, customer, card, jobs),
        "card": card,
        "call_first": bool(stop.call_first),
        "untold": [j.id for j in jobs if j.customer and not told(j, day, half) and is_ahead(j)],
        "saves": saves(sheet, one, stop, site),
        "lat": site.lat,
        "lon": site.lon,
    }


def is_ahead(job: Job) -> bool:
    """Whether a customer may still be told about it."""
    return job.state in ("open", "call_first", "waiting_part", "booked", "part_done")


def told(job: Job, day: str, half: str) -> bool:
    """Whether the customer knows this half-day."""
    return job.promise is not None and (job.promise.day, job.promise.half) == (day, half)


def job_line(sheet: Sheet, job: Job, stop: Stop, site: Site) -> dict[str, Any]:
    """One piece of work of a visit."""
    return {
        "id": job.id,
        "title": job.title,
        "unit": job.unit,
        "minutes": job.minutes,
        "symptom": job.symptom if not job.routine else "",
        "state": say.STATES[job.state],
        "over": job.state in ("done", "billed", "dropped"),
        "promise": promise_words(job, site.time_zone, sheet.now),
        "pinned": job.pin is not None,
        "urgent": job.urgent,
        "pulled": job.id in stop.pulled_forward,
    }


def phones(
    site: Site, customer: Customer, card: SiteCard, jobs: list[Job]
) -> list[tuple[str, str, str]]:
    """(who, number, number to dial): who rang, then the card's contacts in order, then the rest."""
    found: list[tuple[str, str]] = [(j.caller or "who rang", j.phone) for j in jobs if j.phone]
    found += [(c.name, c.phone) for c in card.contacts if c.phone]
    found += [(site.contact or "site", site.phone), (customer.name, customer.phone)]
    seen: dict[str, tuple[str, str, str]] = {}
    for who, number in found:
        dial = "".join(sign for sign in number if sign.isdigit() or sign == "+")
        if dial and dial not in seen:
            seen[dial] = (who, number, dial)
    return list(seen.values())


def saves(sheet: Sheet, one: Round, stop: Stop, site: Site) -> str:
    """What was pulled forward and the trip it saves later."""
    who = sheet.technicians.get(one.technician)
    if not stop.pulled_forward or who is None or site.lat is None or site.lon is None:
        return ""
    km = 2 * ROAD * distance_km(who.lat, who.lon, site.lat, site.lon)
    work = phrases.count(len(stop.pulled_forward), "job")
    return f"{work} pulled forward, saves a trip of up to {km:.0f} km later"


def figures(plan: RoundPlan) -> list[tuple[str, str]]:
    """The plan in figures, with the yardstick."""
    m = plan.metrics
    found = [
        ("Visits", f"{m.stops}"),
        ("Driving", f"{m.km:.0f} km, {m.travel_h:.0f} h"),
        ("Work", f"{m.work_h:.0f} h"),
        ("Due done", f"{m.due_done} of {m.due}"),
        ("Pulled forward", f"{m.pulled_forward}"),
        ("Backlog", phrases.count(m.backlog_days, "job-day")),
    ]
    if m.by_hand_km is not None and m.by_hand_jobs is not None:
        made = planned.Driven(m.km, m.jobs, m.due_done)
        hand = planned.Driven(m.by_hand_km, m.by_hand_jobs, m.by_hand_due_done or 0)
        found.append(("Against by hand", planned.yardstick(made, hand, m.does_as_much)))
    if m.same_by_hand_km is not None:
        found.append(("The same jobs by hand", f"{m.same_by_hand_km:.0f} km"))
    return found


def changed(sheet: Sheet, changes: Changes) -> list[dict[str, Any]]:
    """The difference to the plan in force, line by line."""

    def at(technician: str, day: str, start: int) -> str:
        if not day:
            return ""
        who = sheet.technicians.get(technician)
        name = who.name if who else technician
        return f"{phrases.day_words(day, sheet.today)} {clock(start, sheet.plan.zone)}, {name}"

    found = []
    for one in changes.changes:
        job = sheet.jobs.get(one.job)
        if job is None:
            continue
        place = sheet.places.get(job.where)
        found.append(
            {
                "id": job.id,
                "title": job.title,
                "place": place[0].name if place else "",
                "kind": say.CHANGES[one.kind],
                "why": say.WHY.get(one.why, ""),
                "was": at(one.technician, one.day, one.start),
                "is": at(one.new_technician, one.new_day, one.new_start),
                "told": job.promise is not None,
            }
        )
    return found


def ways(sheet: Sheet, day: str, whose: str | None) -> list[Way]:
    """The rounds of a day as lines on the map."""
    found = []
    for one in sheet.plan.rounds:
        who = sheet.technicians.get(one.technician)
        if one.day != day or who is None or (whose is not None and one.technician != whose):
            continue
        stops = []
        for n, stop in enumerate(one.stops, 1):
            place = sheet.places.get(stop.site)
            if place and place[0].lat is not None and place[0].lon is not None:
                stops.append(Spot(place[0].lat, place[0].lon, str(n), place[0].name))
        found.append(Way(who.name, Spot(who.lat, who.lon, "", who.base or who.name), tuple(stops)))
    return found
