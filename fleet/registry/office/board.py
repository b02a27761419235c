"""The office's book for those who plan: read once into one record, and what they decided written once.

Whoever opens jobs or plans rounds comes here and nowhere else in the registry: `due_work` and
`keep_jobs` for jobs out of due work, `read` and `save_draft` or `publish` for rounds out of jobs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import sqlalchemy as sa

from fleet.calendar import local_date
from fleet.model import EVERYTHING, OPEN_STATES, Episode, Job, JobStep, Scope, Site
from fleet.model.book import (
    GOES_TODAY,
    Board,
    Book,
    DueRow,
    DueWork,
    Publication,
    Recorded,
    StoredPlan,
)
from fleet.model.round_plan import RoundPlan
from fleet.registry import lists
from fleet.registry.base import documents
from fleet.registry.base import tables as t
from fleet.registry.base.engine import Registry
from fleet.registry.office import jobs_done, kept_jobs, kept_rounds
from fleet.registry.people.model import Actor

BEGUN = frozenset({"done", "billed", "part_done", "under_way"})
"""States in which somebody has been at the set."""
ALERTS_AT_ONCE = 200
AT_ONCE = 500
"""Alerts and jobs of one question. A size of a batch."""
_plan = documents.decoder(RoundPlan)


def due_work(reg: Registry) -> DueWork:
    """The due list beside the jobs made from it. Raises RegistryDown."""
    unread = frozenset(jobs_done.unread(reg))
    rows = tuple(
        DueRow(item=item, unit=unit, site=site)
        for item, unit, site, _ in lists.due(reg, EVERYTHING)
        if item.unit not in unread
    )
    origins = frozenset(kept_jobs.origins(reg))
    again = {row.item.cycle for row in rows} & origins
    return DueWork(
        rows=rows,
        unread=unread,
        jobs=tuple(kept_jobs.jobs(reg, EVERYTHING, states=OPEN_STATES)),
        origins=origins,
        ended=_with_lives(reg, _ended(reg, again)),
        minutes_used=kept_jobs.minutes_used(reg),
        service_plans=kept_jobs.service_plans(reg),
    )


def _ended(reg: Registry, origins: Iterable[str]) -> list[Job]:
    """Jobs that are done and were made from these, the oldest first."""
    c, wanted, found = t.job.c, sorted(origins), []
    query = sa.select(c.doc).where(c.state == "done")
    with reg.read() as connection:
        for n in range(0, len(wanted), AT_ONCE):
            part = query.where(c.origin.in_(wanted[n : n + AT_ONCE]))
            found += [documents.job(doc) for doc in connection.execute(part).scalars()]
    return sorted(found, key=lambda job: (job.opened_at, job.id))


def _with_lives(
    reg: Registry, some: Sequence[Job], states: Iterable[str] | None = None
) -> tuple[Recorded, ...]:
    """Jobs with their lives; states: those of others are not read."""
    wanted = [job.id for job in some if states is None or job.state in states]
    lives: dict[str, list[JobStep]] = {}
    c = t.job_step.c
    query = sa.select(c.doc).order_by(c.job, c.n)
    with reg.read() as connection:
        for n in range(0, len(wanted), AT_ONCE):
            part = query.where(c.job.in_(wanted[n : n + AT_ONCE]))
            for step in map(documents.job_step, connection.execute(part).scalars()):
                lives.setdefault(step.job, []).append(step)
    return tuple(Recorded(job=job, steps=tuple(lives.get(job.id, ()))) for job in some)


def keep_jobs(
    reg: Registry,
    steps: Sequence[tuple[Job, JobStep]],
    fresh: Sequence[tuple[Job, JobStep]],
) -> int:
    """Append steps of jobs and keep new jobs with their first; returns how many jobs changed or
    are new. Raises JobRefused where somebody changed one meanwhile."""
    for n in range(0, len(steps), AT_ONCE):
        kept_jobs.add_steps(reg, steps[n : n + AT_ONCE])
    opened = 0
    for n in range(0, len(fresh), AT_ONCE):
        opened += kept_jobs.add_jobs(reg, fresh[n : n + AT_ONCE])
    return len(steps) + opened


def read(reg: Registry, now: int, alerts: bool = False) -> Board:
    """The whole board. alerts: with the open alerts on sets. Raises RegistryDown."""
    told = _stored(kept_rounds.in_force(reg, EVERYTHING))
    book = kept_rounds.book(reg, EVERYTHING)
    there = kept_jobs.by_id(reg, EVERYTHING, told.plan.jobs if told else ())
    return Board(
        book=book,
        told=told,
        draft=_stored(kept_rounds.draft(reg, EVERYTHING)),
        visited=_visited(reg, book, told.plan, now) if told else {},
        recorded=_with_lives(reg, tuple(there.values()), BEGUN),
        alerts=_alerts(reg, EVERYTHING) if alerts else (),
    )


def open_work(reg: Registry, scope: Scope) -> Board:
    """The open work and the open alerts that a scope sees; no plan is read."""
    return Board(book=kept_rounds.book(reg, scope), alerts=_alerts(reg, scope))


def _stored(kept: kept_rounds.KeptPlan | None) -> StoredPlan | None:
    if kept is None:
        return None
    return StoredPlan(id=kept.id, fingerprint=kept.fingerprint, plan=_plan(kept.doc))


def _visited(reg: Registry, book: Book, plan: RoundPlan, now: int) -> dict[str, Site]:
    more = plan.visited(local_date(now, book.zone).isoformat()) - book.sites.keys()
    places = kept_rounds.places(reg, EVERYTHING, more) if more else {}
    return {id: site for id, (site, _) in places.items()}


def _alerts(reg: Registry, scope: Scope) -> tuple[Episode, ...]:
    """The open alerts, the gravest first, as far as there are any that want somebody today."""
    found: list[Episode] = []
    more = lists.episodes(reg, scope, limit=ALERTS_AT_ONCE)
    while more:
        found += more
        grave = more[-1].severity in GOES_TODAY and len(more) == ALERTS_AT_ONCE
        cursor = more[-1].id
        more = lists.episodes(reg, scope, limit=ALERTS_AT_ONCE, cursor=cursor) if grave else []
    return tuple(found)


def save_draft(
    reg: Registry, plan: RoundPlan, fingerprint: str, note: str, by: str, now: int
) -> int:
    """Keep a plan as the newest draft; returns its number. fingerprint: of what was asked."""
    return kept_rounds.save_draft(reg, documents.encode(plan), fingerprint, note, by, now)


def publish(reg: Registry, made: Publication, note: str, by: Actor, now: int) -> int:
    """Put a plan in force with what changes for jobs and calendars; returns its number.

    Raises RoundsRefused where another was published meanwhile, JobRefused where a job changed.
    """
    return kept_rounds.publish(
        reg,
        documents.encode(made.plan),
        made.plan.fingerprint,
        note,
        by,
        now,
        made.over,
        made.steps,
        made.events,
    )
