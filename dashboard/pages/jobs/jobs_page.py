"""Jobs: the board of open jobs by state, and what suggests one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.request_context import CurrentScope, Services, TheServices, require
from dashboard.views.jobs import Column, columns, placed
from dashboard.views.set_findings import gravest
from fleet import words
from fleet.model import JOB_STATES, OPEN_STATES, SEVERITIES, FoundBy, Job, JobState, Scope, Severity
from fleet.model.book import Book
from fleet.registry import lists
from fleet.registry.office import kept_jobs, kept_rounds
from fleet.words import job_sentences
from scheduler import work_orders

router = APIRouter(include_in_schema=False, dependencies=[require("reader", whole=True)])
SUGGESTED_AT_MOST = 12
"""Suggestions on a page. A page's length."""
FOUND_BY = ("alert", "customer", "visit", "office", "plan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """An open alert that wants somebody to go or to call, and has no job. seen: its sentence."""

    unit: str
    place: str
    severity: Severity
    title: str
    seen: str
    episode: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardPage:
    """The board. q, found, state: what is looked for; total: jobs before that; states, founds: what
    may be chosen, in words."""

    q: str
    found: str
    state: str
    columns: tuple[Column, ...]
    total: int
    suggested: tuple[Suggestion, ...]
    states: dict[JobState, str]
    founds: dict[FoundBy, str]
    filtered: bool


@router.get("/jobs", response_class=HTMLResponse)
def board(
    request: Request,
    services: TheServices,
    scope: CurrentScope,
    q: Annotated[str, Query(max_length=100)] = "",
    found: str = "",
    state: str = "",
) -> HTMLResponse:
    now = services.clock()
    found = found if found in FOUND_BY else ""
    state = state if state in JOB_STATES else ""
    book = kept_rounds.book(services.registry, scope)
    jobs = list(book.jobs)
    if state and state not in OPEN_STATES:
        jobs = kept_jobs.jobs(services.registry, scope, states=[state])[::-1]
    grave = gravest(services.registry, scope, {job.unit for job in jobs if job.unit}, now)
    shown = [job for job in jobs if fits(job, book, q, found) and (not state or job.state == state)]
    view = BoardPage(
        q=q,
        found=found,
        state=state,
        columns=columns(shown, book, placed(services, scope), now, grave),
        total=len(jobs),
        suggested=() if q or found or state else suggested(services, scope, jobs, now),
        states=job_sentences.STATES,
        founds=job_sentences.FOUND,
        filtered=bool(q or found or state),
    )
    return frames.render(request, scope, "jobs/page.html", "jobs", view)


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


def suggested(
    services: Services, scope: Scope, jobs: list[Job], now: int
) -> tuple[Suggestion, ...]:
    """Open alerts that want somebody to go or to call, of sets without an open job for it."""
    busy = {job.unit for job in jobs if not job.routine and job.state in OPEN_STATES}
    found = []
    for episode in lists.episodes(services.registry, scope, limit=200):
        kind, _, unit = episode.subject.partition(":")
        if kind != "unit" or unit in busy or not work_orders.suggests(episode.finding):
            continue
        row = lists.unit(services.registry, scope, unit)
        if row is None:
            continue
        busy.add(unit)
        sentence = words.sentence(episode.finding, row.site.time_zone, now)
        found.append(
            Suggestion(
                unit=unit,
                place=row.site.name,
                severity=episode.severity,
                title=sentence.title,
                seen=sentence.seen,
                episode=episode.id,
            )
        )
    found.sort(key=lambda row: SEVERITIES.index(row.severity))
    return tuple(found[:SUGGESTED_AT_MOST])
