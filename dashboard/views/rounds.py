"""A plan as the pages show it: days, rounds, visits, what was left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from dashboard import phrases
from dashboard.request_context import Services
from dashboard.views.jobs import promise_words
from dashboard.views.planned import RoundView, StopView, round_view
from dashboard.views.round_map import Route, Spot
from fleet.calendar import local
from fleet.geo import distance_km
from fleet.model import Customer, Job, Scope, Site, SiteCard
from fleet.model.book import Sheet
from fleet.model.round_plan import half_of
from fleet.registry.office import board
from fleet.words import job_sentences, plan_sentences
from scheduler.rounds import Changes, Round, RoundPlan, Stop
from scheduler.rounds.travel import ROAD_FACTOR

Phone = tuple[str, str, str]
"""Who, the number, the number to dial."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitJob:
    """One piece of work of a visit. symptom: in the caller's words, '' for routine work; over: it is
    done; pulled: it was pulled forward to this visit."""

    id: str
    title: str
    unit: str
    minutes: int
    symptom: str
    state: str
    over: bool
    promise: str
    pinned: bool
    urgent: bool
    pulled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitLine:
    """One visit of a round, as the interface tells it and in words. arrive, start, finish: on the wall at the site; half: the half-day the
    customer is told; leg: how far it is from the stop before; late: days; phones: (who, number, number to dial); untold:
    ids of jobs whose customer does not know this half-day; lat, lon: degrees."""

    n: int
    stop: StopView
    place: str
    customer: str
    address: str
    geo: str
    arrive: str
    start: str
    finish: str
    half: str
    leg: str
    late: int
    jobs: tuple[VisitJob, ...]
    units: tuple[str, ...]
    phones: tuple[Phone, ...]
    card: SiteCard
    call_first: bool
    untold: tuple[str, ...]
    saves: str
    lat: float | None
    lon: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundLine:
    """One technician's day, as the interface tells it and in words. leave, back: on the office's clock; untold: visits of which the customer
    does not know the half-day."""

    round: RoundView
    name: str
    href: str
    leave: str
    back: str
    km: str
    drive: str
    work: str
    lunch: str
    stops: tuple[VisitLine, ...]
    untold: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLine:
    """A day of the plan with its rounds. day: ISO; name: as a dispatcher says it; date: in full."""

    day: str
    name: str
    date: str
    rounds: tuple[RoundLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeLine:
    """What becomes of a job against the plan in force. was, becomes: day, time and technician, '' for
    no round; promised: the customer was told."""

    id: str
    title: str
    place: str
    kind: str
    why: str
    was: str
    becomes: str
    promised: bool


def sheet_of(services: Services, scope: Scope, plan: RoundPlan) -> Sheet:
    """Everything the pages need of a plan that is not in force."""
    return board.plan_sheet(services.registry, scope, plan, services.clock())


def clock(at: int, zone: str) -> str:
    """A time of day at the place."""
    return local(at, zone).strftime("%H:%M")


def hours(seconds: int) -> str:
    """A length of drive or work: 2 h 10."""
    whole = round(seconds / 60)
    return f"{whole // 60} h {whole % 60:02d}" if whole >= 60 else f"{whole} min"


def days(sheet: Sheet, whose: str | None, until: str = "") -> tuple[DayLine, ...]:
    """The plan's days with their rounds; whose: one technician only."""
    found: dict[str, list[Round]] = {}
    for one in sheet.plan.rounds:
        if (whose is None or one.technician == whose) and one.day >= sheet.today.isoformat():
            found.setdefault(one.day, []).append(one)
    return tuple(
        _day_line(sheet, day, found[day]) for day in sorted(found) if not until or day <= until
    )


def _day_line(sheet: Sheet, day: str, found: list[Round]) -> DayLine:
    on = date.fromisoformat(day)
    return DayLine(
        day=day,
        name=phrases.day_words(day, sheet.today),
        date=f"{on:%a} {on.day} {on:%b}",
        rounds=tuple(round_line(sheet, one) for one in found),
    )


def round_line(sheet: Sheet, one: Round) -> RoundLine:
    """One technician's day in short."""
    zone, who = sheet.plan.zone, sheet.technicians.get(one.technician)
    lunch = one.lunch
    told = round_view(one)
    found = (visit_line(sheet, one, n, stop) for n, stop in enumerate(told.stops, 1))
    stops = tuple(stop for stop in found if stop)
    return RoundLine(
        round=told,
        name=who.name if who else one.technician,
        href=f"/rounds/day/{one.technician}/{one.day}",
        leave=clock(one.depart, zone),
        back=clock(one.back, zone),
        km=f"{one.metres / 1000:.0f} km",
        drive=hours(one.travel_s),
        work=hours(one.work_s),
        lunch=f"{clock(lunch.start, zone)} to {clock(lunch.end, zone)}" if lunch else "",
        stops=stops,
        untold=sum(1 for stop in stops if stop.untold),
    )


def visit_line(sheet: Sheet, one: Round, n: int, stop: StopView) -> VisitLine | None:
    """One visit; None where the viewer's scope does not see its place."""
    if stop.site not in sheet.places:
        return None
    site, customer = sheet.places[stop.site]
    zone = site.time_zone
    day, half = half_of(stop.start, zone)
    jobs = [sheet.jobs[id] for id in stop.jobs if id in sheet.jobs]
    card = sheet.cards.get(stop.site) or SiteCard(site=stop.site)
    placed = site.lat is not None and site.lon is not None
    estimated = ", estimated" if stop.estimate else ""
    return VisitLine(
        n=n,
        stop=stop,
        place=site.name or customer.name,
        customer=customer.name,
        address=site.address,
        geo=f"geo:{site.lat:.6f},{site.lon:.6f}" if placed else "",
        arrive=clock(stop.arrive, zone),
        start=clock(stop.start, zone),
        finish=clock(stop.finish, zone),
        half=job_sentences.HALVES[half],
        leg=f"{stop.metres / 1000:.0f} km, {hours(stop.travel_s)}{estimated}",
        late=stop.late_days,
        jobs=tuple(visit_job(sheet, job, stop, site) for job in jobs),
        units=tuple(sorted({job.unit for job in jobs if job.unit})),
        phones=phones(site, customer, card, jobs),
        card=card,
        call_first=bool(stop.call_first),
        untold=tuple(
            j.id for j in jobs if j.customer and not is_promised(j, day, half) and is_ahead(j)
        ),
        saves=saves(sheet, one, stop, site),
        lat=site.lat,
        lon=site.lon,
    )


def is_ahead(job: Job) -> bool:
    """Whether a customer may still be told about it."""
    return job.state in ("open", "call_first", "waiting_part", "booked", "part_done")


def is_promised(job: Job, day: str, half: str) -> bool:
    """Whether the customer knows this half-day."""
    return job.promise is not None and (job.promise.day, job.promise.half) == (day, half)


def visit_job(sheet: Sheet, job: Job, stop: Stop, site: Site) -> VisitJob:
    """One piece of work of a visit."""
    return VisitJob(
        id=job.id,
        title=job.title,
        unit=job.unit,
        minutes=job.minutes,
        symptom=job.symptom if not job.routine else "",
        state=job_sentences.STATES[job.state],
        over=job.state in ("done", "billed", "dropped"),
        promise=promise_words(job, site.time_zone, sheet.now),
        pinned=job.pin is not None,
        urgent=job.urgent,
        pulled=job.id in stop.pulled_forward,
    )


def phones(site: Site, customer: Customer, card: SiteCard, jobs: list[Job]) -> tuple[Phone, ...]:
    """(who, number, number to dial): who rang, then the card's contacts in order, then the rest."""
    found: list[tuple[str, str]] = [(j.caller or "who rang", j.phone) for j in jobs if j.phone]
    found += [(c.name, c.phone) for c in card.contacts if c.phone]
    found += [(site.contact or "site", site.phone), (customer.name, customer.phone)]
    seen: dict[str, Phone] = {}
    for who, number in found:
        dial = "".join(sign for sign in number if sign.isdigit() or sign == "+")
        if dial and dial not in seen:
            seen[dial] = (who, number, dial)
    return tuple(seen.values())


def saves(sheet: Sheet, one: Round, stop: Stop, site: Site) -> str:
    """What was pulled forward and the trip it saves later."""
    who = sheet.technicians.get(one.technician)
    if not stop.pulled_forward or who is None or site.lat is None or site.lon is None:
        return ""
    km = 2 * ROAD_FACTOR * distance_km(who.lat, who.lon, site.lat, site.lon)
    work = phrases.count(len(stop.pulled_forward), "job")
    return f"{work} pulled forward, saves a trip of up to {km:.0f} km later"


def figures(plan: RoundPlan) -> tuple[tuple[str, str], ...]:
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
        made = plan_sentences.Driven(m.km, m.jobs, m.due_done)
        hand = plan_sentences.Driven(m.by_hand_km, m.by_hand_jobs, m.by_hand_due_done or 0)
        found.append(("Against by hand", plan_sentences.yardstick(made, hand, m.does_as_much)))
    if m.same_by_hand_km is not None:
        found.append(("The same jobs by hand", f"{m.same_by_hand_km:.0f} km"))
    return tuple(found)


def changed(sheet: Sheet, changes: Changes) -> tuple[ChangeLine, ...]:
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
            ChangeLine(
                id=job.id,
                title=job.title,
                place=place[0].name if place else "",
                kind=job_sentences.CHANGES[one.kind],
                why=job_sentences.WHY.get(one.why, ""),
                was=at(one.technician, one.day, one.start),
                becomes=at(one.new_technician, one.new_day, one.new_start),
                promised=job.promise is not None,
            )
        )
    return tuple(found)


def routes(sheet: Sheet, day: str, whose: str | None) -> list[Route]:
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
        found.append(
            Route(who.name, Spot(who.lat, who.lon, "", who.base or who.name), tuple(stops))
        )
    return found
