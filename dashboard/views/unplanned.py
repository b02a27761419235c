"""What has no day: jobs left out or unknown to the plan, and sets that want somebody."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dashboard import phrases
from dashboard.views.rounds import Sheet, is_ahead
from fleet import words
from fleet.model import Customer, Job, Scope, Severity, Site
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.office import kept_rounds
from fleet.words import job_sentences, plan_sentences
from scheduler.dispatch import Wanting, fits_in


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A job in no round. reason: in a few words, detail: in a sentence; blocking: (id, title) of jobs
    in its way; earliest: the first day that it could be, in words; lat, lon: degrees."""

    id: str
    title: str
    unit: str
    urgent: bool
    due: str
    place: str
    lat: float | None
    lon: float | None
    reason: str
    detail: str
    blocking: tuple[tuple[str, str], ...] = ()
    earliest: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WantingSet:
    """A set that wants somebody and that no round goes to. seen: the sentence of its alert; job_is:
    where its job stands; fits: it may be fitted in today."""

    unit: str
    place: str
    severity: Severity
    title: str
    seen: str
    episode: str
    job: str
    job_title: str
    job_is: str
    fits: bool


def left_out(
    registry: Registry, scope: Scope, sheet: Sheet, unknown: Iterable[Job] = ()
) -> tuple[LeftOut, ...]:
    """Every job in no round with its one reason. unknown: open ones that the plan does not know."""
    found = []
    for one in sheet.plan.unplanned:
        job = sheet.jobs.get(one.job)
        if job is None or not is_ahead(job):
            continue
        place = sheet.places.get(job.where)
        found.append(
            _left_out(
                job,
                place,
                job_sentences.REASONS[one.reason.value],
                one.detail,
                tuple((id, sheet.jobs[id].title) for id in one.blocking if id in sheet.jobs)[:4],
                phrases.day_words(one.earliest, sheet.today) if one.earliest else "",
            )
        )
    places = kept_rounds.places(registry, scope, {job.where for job in unknown if job.where})
    found += [
        _left_out(
            job, places.get(job.where), plan_sentences.NOT_IN_PLAN, plan_sentences.NOT_IN_PLAN_WHY
        )
        for job in unknown
    ]
    found.sort(key=lambda row: (not row.urgent, row.due or "9999", row.title))
    return tuple(found)


def _left_out(
    job: Job,
    place: tuple[Site, Customer] | None,
    reason: str,
    detail: str,
    blocking: tuple[tuple[str, str], ...] = (),
    earliest: str = "",
) -> LeftOut:
    return LeftOut(
        id=job.id,
        title=job.title,
        unit=job.unit,
        urgent=job.urgent,
        due=job.due_on,
        place=place[0].name if place else "",
        lat=place[0].lat if place else None,
        lon=place[0].lon if place else None,
        reason=reason,
        detail=detail,
        blocking=blocking,
        earliest=earliest,
    )


def wanting(
    registry: Registry, scope: Scope, sets: Iterable[Wanting], sheet: Sheet
) -> tuple[WantingSet, ...]:
    """Sets that want somebody and that no round goes to, the gravest first."""
    why = {one.job: job_sentences.REASONS[one.reason.value] for one in sheet.plan.unplanned}
    found = []
    for one in sets:
        row = lists.unit(registry, scope, one.unit)
        if row is None:
            continue
        sentence = words.sentence(one.episode.finding, row.site.time_zone, sheet.now)
        job = one.job
        found.append(
            WantingSet(
                unit=one.unit,
                place=row.site.name,
                severity=one.episode.severity,
                title=sentence.title,
                seen=sentence.seen,
                episode=one.episode.id,
                job=job.id if job else "",
                job_title=job.title if job else "",
                job_is=(why.get(job.id) or job_sentences.STATES[job.state])
                if job
                else "no job yet",
                fits=job is not None and fits_in(job),
            )
        )
    return tuple(found)
