"""A job as the board, its own page and the rounds show it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dashboard import phrases
from dashboard.request_context import Services
from dashboard.views.set_findings import Grave
from fleet import words
from fleet.calendar import local_date
from fleet.model import JOB_STATES, Job, JobState, Scope, Severity
from fleet.model.book import Book
from fleet.registry.office import kept_rounds
from fleet.words import job_sentences
from scheduler import dispatch, work_orders

CARDS_AT_MOST = 40
"""Cards of a list. A page's length."""
NO_SET_IS: dict[str, Grave] = {}
Place = tuple[str, str, int]
"""Where a plan has a job: technician, local day, start (UTC seconds)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobCard:
    """One job on the board. place: where it leads; severity, mark: how pressing; set: what its set
    says that cannot wait; who: the day and the technician of the plan in force."""

    id: str
    title: str
    place: str
    unit: str
    severity: Severity | None
    mark: str
    set: Grave | None
    who: str
    promise: str
    pinned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """The jobs of one state. n: of all; more: those that are not shown."""

    name: str
    state: JobState
    n: int
    cards: tuple[JobCard, ...]
    more: int


def placed(services: Services, scope: Scope) -> dict[str, Place]:
    """Where each job stands in the plan in force."""
    published = kept_rounds.in_force(services.registry, scope)
    return dispatch.decode(published.doc).places if published else {}


def columns(
    jobs: list[Job],
    book: Book,
    at: dict[str, Place],
    now: int,
    grave: Mapping[str, Grave] = NO_SET_IS,
) -> tuple[Column, ...]:
    """States that have jobs, in the board's order; in each the most pressing first.

    grave: what sets say that is Act now or Same day, by unit.
    """
    names = {one.id: one.name for one in book.technicians}
    now_sets = {unit for unit, one in grave.items() if one[0] == "act_now"}
    found = []
    for state in JOB_STATES:
        here = [job for job in jobs if job.state == state]
        if not here:
            continue
        here.sort(
            key=lambda j: (
                not (j.urgent or j.unit in now_sets),
                not j.safety,
                j.due_on or "9999",
                j.opened_at,
            )
        )
        found.append(
            Column(
                name=job_sentences.STATES[state],
                state=state,
                n=len(here),
                cards=tuple(card(job, book, at, names, now, grave) for job in here[:CARDS_AT_MOST]),
                more=max(0, len(here) - CARDS_AT_MOST),
            )
        )
    return tuple(found)


def card(
    job: Job,
    book: Book,
    at: dict[str, Place],
    names: dict[str, str],
    now: int,
    grave: Mapping[str, Grave] = NO_SET_IS,
) -> JobCard:
    """One job on the board."""
    site, customer = book.sites.get(job.where), book.customers.get(job.customer)
    zone = site.time_zone if site else "UTC"
    today = local_date(now, zone)
    who = ""
    if job.id in at:
        technician, day, _ = at[job.id]
        who = f"{phrases.day_words(day, today)}, {names.get(technician, technician)}"
    return JobCard(
        id=job.id,
        title=job.title,
        place=(site.name if site else "") or (customer.name if customer else "Errand"),
        unit=job.unit,
        severity=severity(job, zone, now),
        mark=mark(job, zone, now),
        set=grave.get(job.unit) if work_orders.is_open(job) else None,
        who=who,
        promise=promise_words(job, zone, now),
        pinned=job.pin is not None,
    )


def severity(job: Job, zone: str, now: int) -> Severity | None:
    """Urgent: Act now. Late: Same day. Else, and once it is over, ink."""
    if not work_orders.is_open(job):
        return None
    if job.urgent:
        return "act_now"
    return "same_day" if job.due_on and job.due_on < local_date(now, zone).isoformat() else None


def mark(job: Job, zone: str, now: int) -> str:
    """How pressing, in words."""
    today = local_date(now, zone)
    if job.urgent:
        return f"Urgent since {words.moment(job.opened_at, zone, now)}"
    if not job.due_on:
        return "no date"
    late = job.due_on < today.isoformat()
    day = phrases.day_words(job.due_on, today)
    return f"was due {day}" if late else f"due {day}"


def promise_words(job: Job, zone: str, now: int) -> str:
    """What the customer was told."""
    if job.promise is None:
        return ""
    day = phrases.day_words(job.promise.day, local_date(now, zone))
    if job.promise.at is not None:
        return f"appointment {words.moment(job.promise.at, zone, now)}"
    return f"{'agreed' if job.promise.agreed else 'told'} {day}, {job_sentences.HALVES[job.promise.half]}"
