"""Jobs: the board of open jobs by state, and what suggests one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from dashboard import frames, phrases
from dashboard.deps import AtDesk, Desk, Reader, require
from dashboard.pages.jobs import sets
from fleet import words
from fleet.calendar import local_date
from fleet.model import JOB_STATES, OPEN_STATES, SEVERITIES, Job, Scope
from fleet.model.book import Book
from fleet.registry import jobs as kept
from fleet.registry import pages, rounds
from fleet.words import jobs as say
from scheduler import dispatch, work

router = APIRouter(include_in_schema=False, dependencies=[require("reader", whole=True)])
CARDS_AT_MOST = 40
NO_SET_IS: dict[str, sets.Grave] = {}
SUGGESTED_AT_MOST = 12
FOUND_BY = ("alert", "customer", "visit", "office", "plan")


@router.get("/jobs", response_class=HTMLResponse)
def board(
    request: Request,
    desk: AtDesk,
    scope: Reader,
    q: Annotated[str, Query(max_length=100)] = "",
    found: str = "",
    state: str = "",
) -> HTMLResponse:
    now = desk.clock()
    found = found if found in FOUND_BY else ""
    state = state if state in JOB_STATES else ""
    book = rounds.book(desk.registry, scope)
    jobs = list(book.jobs)
    if state and state not in OPEN_STATES:
        jobs = kept.jobs(desk.registry, scope, states=[state])[::-1]
    grave = sets.worst(desk.registry, scope, {job.unit for job in jobs if job.unit}, now)
    shown = [job for job in jobs if fits(job, book, q, found) and (not state or job.state == state)]
    return frames.page(
        request,
        scope,
        "jobs/page.html",
        "jobs",
        now=now,
        q=q,
        found=found,
        state=state,
        columns=columns(shown, book, placed(desk), now, grave),
        total=len(jobs),
        suggested=[] if q or found or state else suggested(desk, scope, jobs, now),
        states=say.STATES,
        founds=say.FOUND,
        filtered=bool(q or found or state),
    )


def fits(job: Job, book: Book, q: str, found: str) -> bool:
    """Whether a job holds every word that is looked for."""
    if found and job.found_by != found:
        return False
    site, customer = book.sites.get(job.where), book.customers.get(job.customer)
    text = " ".join(
        (
            job.title,
            job.unit,
            job.symptom,
            job.caller,
            job.phone,
            site.name if site else "",
            site.address if site else "",
            customer.name if customer else "",
        )
    ).lower()
    return all(word in text for word in q.lower().split())


def placed(desk: Desk) -> dict[str, tuple[str, str, int]]:
    """Where each job stands in the plan in force."""
    told = rounds.in_force(desk.registry)
    return dispatch.places(dispatch.decode(told.doc)) if told else {}


def columns(
    jobs: list[Job],
    book: Book,
    at: dict[str, tuple[str, str, int]],
    now: int,
    grave: Mapping[str, sets.Grave] = NO_SET_IS,
) -> list[dict[str, Any]]:
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
            {
                "name": say.STATES[state],
                "state": state,
                "n": len(here),
                "cards": [card(job, book, at, names, now, grave) for job in here[:CARDS_AT_MOST]],
                "more": max(0, len(here) - CARDS_AT_MOST),
            }
        )
    return found


def card(
    job: Job,
    book: Book,
    at: dict[str, tuple[str, str, int]],
    names: dict[str, str],
    now: int,
    grave: Mapping[str, sets.Grave] = NO_SET_IS,
) -> dict[str, Any]:
    """One job on the board."""
    site, customer = book.sites.get(job.where), book.customers.get(job.customer)
    zone = site.time_zone if site else "UTC"
    today = local_date(now, zone)
    who = ""
    if job.id in at:
        technician, day, _ = at[job.id]
        who = f"{phrases.day_words(day, today)}, {names.get(technician, technician)}"
    return {
        "id": job.id,
        "title": job.title,
        "place": (site.name if site else "") or (customer.name if customer else "Errand"),
        "unit": job.unit,
        "severity": severity(job, zone, now),
        "mark": mark(job, zone, now),
        "set": grave.get(job.unit) if work.is_open(job) else None,
        "who": who,
        "promise": promise_words(job, zone, now),
        "pinned": job.pin is not None,
    }


def severity(job: Job, zone: str, now: int) -> str:
    """Urgent: Act now. Late: Same day. Else, and once it is over, ink."""
    if not work.is_open(job):
        return ""
    if job.urgent:
        return "act_now"
    return "same_day" if job.due_on and job.due_on < local_date(now, zone).isoformat() else ""


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
    return f"{'agreed' if job.promise.agreed else 'told'} {day}, {say.HALVES[job.promise.half]}"


def suggested(desk: Desk, scope: Scope, jobs: list[Job], now: int) -> list[dict[str, Any]]:
    """Open alerts that want somebody to go or to call, of sets without an open job for it."""
    busy = {job.unit for job in jobs if not job.routine and job.state in OPEN_STATES}
    found = []
    for episode in pages.episodes(desk.registry, scope, limit=200):
        kind, _, unit = episode.subject.partition(":")
        if kind != "unit" or unit in busy or not work.suggests(episode.finding):
            continue
        row = pages.unit(desk.registry, scope, unit)
        if row is None:
            continue
        busy.add(unit)
        sentence = words.sentence(episode.finding, row.site.time_zone, now)
        found.append(
            {
                "unit": unit,
                "place": row.site.name,
                "severity": episode.severity,
                "title": sentence.title,
                "seen": sentence.seen,
                "episode": episode.id,
            }
        )
    found.sort(key=lambda row: SEVERITIES.index(row["severity"]))
    return found[:SUGGESTED_AT_MOST]
