"""What has no day: jobs left out or unknown to the plan, and sets that want somebody."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from dashboard import phrases
from dashboard.pages.rounds import words as tell
from fleet import words
from fleet.model import Customer, Job, Scope, Site
from fleet.registry import pages
from fleet.registry import rounds as kept
from fleet.registry.engine import Registry
from fleet.words import jobs as say
from fleet.words import planned
from scheduler.dispatch import PLANNED_STATES, Wanting


def left_out(
    registry: Registry, scope: Scope, sheet: tell.Sheet, unknown: Iterable[Job] = ()
) -> list[dict[str, Any]]:
    """Every job in no round with its one reason. unknown: open ones that the plan does not know."""
    found = []
    for one in sheet.plan.unplanned:
        job = sheet.jobs.get(one.job)
        if job is None or not tell.is_ahead(job):
            continue
        place = sheet.places.get(job.where)
        found.append(
            {
                **_of_job(job, place),
                "reason": say.REASONS[one.reason.value],
                "detail": one.detail,
                "blocking": [(id, sheet.jobs[id].title) for id in one.blocking if id in sheet.jobs][
                    :4
                ],
                "earliest": phrases.day_words(one.earliest, sheet.today) if one.earliest else "",
            }
        )
    places = kept.places(registry, scope, {job.where for job in unknown if job.where})
    found += [
        {
            **_of_job(job, places.get(job.where)),
            "reason": planned.NOT_IN_PLAN,
            "detail": planned.NOT_IN_PLAN_WHY,
            "blocking": [],
            "earliest": "",
        }
        for job in unknown
    ]
    found.sort(key=lambda row: (not row["urgent"], row["due"] or "9999", row["title"]))
    return found


def _of_job(job: Job, place: tuple[Site, Customer] | None) -> dict[str, Any]:
    return {
        "id": job.id,
        "title": job.title,
        "unit": job.unit,
        "urgent": job.urgent,
        "due": job.due_on,
        "place": place[0].name if place else "",
        "lat": place[0].lat if place else None,
        "lon": place[0].lon if place else None,
    }


def wanting(
    registry: Registry, scope: Scope, sets: Iterable[Wanting], sheet: tell.Sheet
) -> list[dict[str, Any]]:
    """Sets that want somebody and that no round goes to, the gravest first."""
    why = {one.job: say.REASONS[one.reason.value] for one in sheet.plan.unplanned}
    found = []
    for one in sets:
        row = pages.unit(registry, scope, one.unit)
        if row is None:
            continue
        sentence = words.sentence(one.episode.finding, row.site.time_zone, sheet.now)
        job = one.job
        found.append(
            {
                "unit": one.unit,
                "place": row.site.name,
                "severity": one.episode.severity,
                "title": sentence.title,
                "seen": sentence.seen,
                "episode": one.episode.id,
                "job": job.id if job else "",
                "job_title": job.title if job else "",
                "job_is": (why.get(job.id) or say.STATES[job.state]) if job else "no job yet",
                "fits": job is not None and job.urgent and job.state in PLANNED_STATES,
            }
        )
    return found
