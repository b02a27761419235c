"""The office's book for those who plan: read once into one record, and what they decided written once.

Whoever opens jobs, plans rounds or prints a day sheet comes here and nowhere else in the registry.
Each read is one view of one moment: `due_work` for jobs alone and `gather` for jobs and rounds, both
written by `save`; `read` for a plan to be put in force, written by `publish`; `day_sheet` for a
technician's day of the plan in force.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec
import sqlalchemy as sa

from fleet.calendar import local_date
from fleet.model import EVERYTHING, OPEN_STATES, Episode, Job, JobStep, Scope, Site
from fleet.model.book import (
    GOES_TODAY,
    Board,
    Book,
    Draft,
    DueRow,
    DueWork,
    JobChanges,
    PlanningBook,
    Publication,
    Recorded,
    Sheet,
    StoredPlan,
)
from fleet.model.round_plan import Round, RoundPlan
from fleet.registry import lists
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.lists.unit import UnitRow
from fleet.registry.office import jobs_done, kept_jobs, kept_rounds, sitecard, technicians
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.people.model import Actor

BEGUN = frozenset({"done", "billed", "part_done", "under_way"})
"""States in which somebody has been at the set."""
ALERTS_AT_ONCE = 200
AT_ONCE = 500
"""Alerts and jobs of one question. A size of a batch."""
_plan = documents.decoder(RoundPlan)


class Saved(msgspec.Struct, frozen=True, kw_only=True):
    """What was kept. jobs: how many are new or changed; draft: its number, None where there is none."""

    jobs: int
    draft: int | None = None


class DayRound(msgspec.Struct, frozen=True, kw_only=True):
    """A technician's day in the plan in force. sets: those of its jobs, with what they have found."""

    sheet: Sheet
    round: Round
    sets: tuple[UnitRow, ...] = ()


def gather(reg: Registry, now: int) -> PlanningBook:
    """The due list, the jobs and the board, all of one moment. Raises RegistryDown."""
    with reg.one_view():
        due = _due_work(reg)
        sites = {row.site.id for row in due.rows} | {one.job.site for one in due.ended}
        return PlanningBook(due=due, board=_read(reg, now, _alerts(reg, EVERYTHING), sites))


def due_work(reg: Registry) -> DueWork:
    """The due list beside the jobs made from it. Raises RegistryDown."""
    with reg.one_view():
        return _due_work(reg)


def _due_work(reg: Registry) -> DueWork:
    unread = frozenset(jobs_done.unread(reg))
    rows = tuple(
        DueRow(item=item, unit=unit, site=site, customer=customer)
        for item, unit, site, customer in lists.due(reg, EVERYTHING)
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
    c, wanted, found = tables.job.c, sorted(origins), []
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
    c = tables.job_step.c
    query = sa.select(c.doc).order_by(c.job, c.n)
    with reg.read() as connection:
        for n in range(0, len(wanted), AT_ONCE):
            part = query.where(c.job.in_(wanted[n : n + AT_ONCE]))
            for step in map(documents.job_step, connection.execute(part).scalars()):
                lives.setdefault(step.job, []).append(step)
    return tuple(Recorded(job=job, steps=tuple(lives.get(job.id, ()))) for job in some)


def save(reg: Registry, changes: JobChanges, draft: Draft | None, now: int) -> Saved:
    """Append steps of jobs, keep new jobs with their first, then the draft made from them.

    Of due work that somebody else made a job of meanwhile, theirs stays. Raises JobRefused where
    somebody changed one of the jobs meanwhile, or a draft speaks of a job that is not kept: then no
    draft is kept either.
    """
    steps, fresh = changes.steps, changes.fresh
    for n in range(0, len(steps), AT_ONCE):
        kept_jobs.add_steps(reg, steps[n : n + AT_ONCE])
    opened = 0
    for n in range(0, len(fresh), AT_ONCE):
        opened += kept_jobs.add_jobs(reg, fresh[n : n + AT_ONCE])
    saved = Saved(jobs=len(steps) + opened)
    if draft is None:
        return saved
    if opened < len(fresh):
        raise JobRefused("Somebody opened a job meanwhile that this plan has too: plan again.")
    doc = documents.encode(draft.plan)
    id = kept_rounds.save_draft(reg, doc, draft.fingerprint, draft.note, draft.by, now)
    return msgspec.structs.replace(saved, draft=id)


def read(reg: Registry, now: int, alerts: bool = False) -> Board:
    """The whole board. alerts: with the open alerts on sets. Raises RegistryDown."""
    with reg.one_view():
        return _read(reg, now, _alerts(reg, EVERYTHING) if alerts else ())


def _read(reg: Registry, now: int, alerts: tuple[Episode, ...], also: Iterable[str] = ()) -> Board:
    told = _stored(kept_rounds.in_force(reg, EVERYTHING))
    book = kept_rounds.book(reg, EVERYTHING, also)
    there = kept_jobs.by_id(reg, EVERYTHING, told.plan.jobs if told else ())
    return Board(
        book=book,
        told=told,
        draft=_stored(kept_rounds.draft(reg, EVERYTHING)),
        visited=_visited(reg, book, told.plan, now) if told else {},
        recorded=_with_lives(reg, tuple(there.values()), BEGUN),
        alerts=alerts,
    )


def open_work(reg: Registry, scope: Scope) -> Board:
    """The open work and the open alerts that a scope sees; no plan is read."""
    with reg.one_view():
        return Board(book=kept_rounds.book(reg, scope), alerts=_alerts(reg, scope))


def plan_sheet(reg: Registry, scope: Scope, plan: RoundPlan, now: int, made_at: int = 0) -> Sheet:
    """A plan with the names of all that is in it, whether it is kept or not."""
    with reg.one_view():
        return _sheet(reg, scope, plan, now, made_at)


def sheet_in_force(reg: Registry, scope: Scope, now: int) -> Sheet | None:
    """The plan in force with the names of all that is in it; None where there is none."""
    with reg.one_view():
        told = kept_rounds.in_force(reg, EVERYTHING)
        return _sheet(reg, scope, _plan(told.doc), now, told.made_at) if told else None


def day_sheet(reg: Registry, scope: Scope, technician: str, day: str, now: int) -> DayRound | None:
    """A technician's day in the plan in force; None where there is no such round or technician."""
    with reg.one_view():
        sheet = sheet_in_force(reg, scope, now)
        one = sheet.plan.round_of(technician, day) if sheet else None
        if sheet is None or one is None or technician not in sheet.technicians:
            return None
        units = {sheet.jobs[id].unit for id in one.jobs if id in sheet.jobs} - {""}
        sets = lists.units_named(reg, scope, units)
        return DayRound(sheet=sheet, round=one, sets=tuple(sets))


def _sheet(reg: Registry, scope: Scope, plan: RoundPlan, now: int, made_at: int) -> Sheet:
    ids = plan.jobs | {u.job for u in plan.unplanned}
    ids |= {c.job for c in plan.changes.changes} | {j for u in plan.unplanned for j in u.blocking}
    jobs = kept_jobs.by_id(reg, scope, ids)
    where = {job.where for job in jobs.values() if job.where}
    return Sheet(
        plan=plan,
        jobs=jobs,
        places=kept_rounds.places(reg, scope, where),
        cards=sitecard.cards(reg, scope),
        technicians={one.id: one for one in technicians.technicians(reg)},
        now=now,
        made_at=made_at,
    )


def _stored(kept: kept_rounds.KeptPlan | None) -> StoredPlan | None:
    if kept is None:
        return None
    return StoredPlan(
        id=kept.id, fingerprint=kept.fingerprint, plan=_plan(kept.doc), note=kept.note
    )


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
