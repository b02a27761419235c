"""The office's book of open work, what planning reads beside it, and a visit as a calendar shows it."""

from __future__ import annotations

from collections import Counter
from datetime import date

import msgspec

from fleet.calendar import local_date
from fleet.model.engine import DueItem
from fleet.model.episodes import Episode, Severity
from fleet.model.jobs import Contract, Job, JobStep, SiteCard, Technician
from fleet.model.register import Customer, ServicePlan, Site, Unit
from fleet.model.round_plan import Round, RoundPlan

GOES_TODAY: frozenset[Severity] = frozenset({"act_now", "same_day"})
"""Alerts of these severities do not wait for a visit that comes anyhow."""


class Book(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a plan is made from, as the office knows it; places of open jobs only."""

    jobs: tuple[Job, ...] = ()
    technicians: tuple[Technician, ...] = ()
    sites: dict[str, Site] = {}
    cards: dict[str, SiteCard] = {}
    customers: dict[str, Customer] = {}
    contracts: dict[str, Contract] = {}
    units: dict[str, Unit] = {}

    @property
    def zone(self) -> str:
        """The zone of the office: that of most technicians, else of most sites, else UTC."""
        zones = Counter(one.time_zone for one in self.technicians)
        zones = zones or Counter(site.time_zone for site in self.sites.values())
        return min(zones, key=lambda name: (-zones[name], name)) if zones else "UTC"


class DueRow(msgspec.Struct, frozen=True, kw_only=True):
    """A task on a set's due list, with the set, its site and its owner."""

    item: DueItem
    unit: Unit
    site: Site
    customer: Customer


class Recorded(msgspec.Struct, frozen=True, kw_only=True):
    """A job with what was recorded of it. steps: its life in order; empty where nobody began it."""

    job: Job
    steps: tuple[JobStep, ...] = ()


class DueWork(msgspec.Struct, frozen=True, kw_only=True):
    """The due list beside the jobs that were made from it, read at one time.

    rows: without sets of which a record waits to be read (`unread`), for their due list says how
    things stood before. jobs: the open ones. origins: what jobs were made from, of all there ever
    were. ended: jobs that are done though their work is due as it was before them. minutes_used: of
    each finished job, by (unit, task) [min].
    """

    rows: tuple[DueRow, ...] = ()
    unread: frozenset[str] = frozenset()
    jobs: tuple[Job, ...] = ()
    origins: frozenset[str] = frozenset()
    ended: tuple[Recorded, ...] = ()
    minutes_used: dict[tuple[str, str], list[int]] = {}
    service_plans: dict[str, ServicePlan] = {}


class JobChanges(msgspec.Struct, frozen=True, kw_only=True):
    """What makes the jobs agree with the due list. steps: of jobs there are, each with the job as it
    is after it; fresh: new jobs with their first steps."""

    steps: tuple[tuple[Job, JobStep], ...] = ()
    fresh: tuple[tuple[Job, JobStep], ...] = ()


class Draft(msgspec.Struct, frozen=True, kw_only=True):
    """A plan to be kept until somebody publishes it. fingerprint: of what was asked; by: who asked."""

    plan: RoundPlan
    fingerprint: str
    note: str
    by: str


class StoredPlan(msgspec.Struct, frozen=True, kw_only=True):
    """A kept plan of rounds. fingerprint: of what was asked when it was made; note: why it was."""

    id: int
    fingerprint: str
    plan: RoundPlan
    note: str = ""


class Board(msgspec.Struct, frozen=True, kw_only=True):
    """The dispatcher's board: all that a plan is made and judged from, read at one time.

    told: the plan in force; draft: one made since. visited: places it sends people to today though
    nothing is open there. recorded: its jobs, with their lives where somebody has been at the set.
    alerts: open ones, the gravest first; empty where they were not asked for.
    """

    book: Book
    told: StoredPlan | None = None
    draft: StoredPlan | None = None
    visited: dict[str, Site] = {}
    recorded: tuple[Recorded, ...] = ()
    alerts: tuple[Episode, ...] = ()

    @property
    def in_force(self) -> RoundPlan | None:
        """The plan in force; None where there is none."""
        return self.told.plan if self.told else None


class PlanningBook(msgspec.Struct, frozen=True, kw_only=True):
    """All that a plan is made from, read at one moment: the due list beside the jobs, and the board
    as it stands before the jobs agree with it. Its book holds the sites of due work too."""

    due: DueWork
    board: Board


class Sheet(msgspec.Struct, frozen=True, kw_only=True):
    """A plan with the names of all that is in it, as far as a scope reaches, read at one moment.

    places: sites with their owners; now: when it was read (UTC seconds); made_at: when the plan was
    made, 0 where it was not kept.
    """

    plan: RoundPlan
    jobs: dict[str, Job]
    places: dict[str, tuple[Site, Customer]]
    cards: dict[str, SiteCard]
    technicians: dict[str, Technician]
    now: int
    made_at: int = 0

    @property
    def today(self) -> date:
        return local_date(self.now, self.plan.zone)

    def parts(self, one: Round) -> dict[str, float]:
        """Parts to load for a round, by name."""
        total: dict[str, float] = {}
        for job in (self.jobs[id] for id in one.jobs if id in self.jobs):
            for part, amount in job.parts.items():
                total[part] = total.get(part, 0.0) + amount
        return dict(sorted(total.items()))


class FeedEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One visit as a calendar shows it. uid: the same as long as it is the same visit.

    start, end: UTC seconds. zone: the IANA zone of its site; "" where it was told before zones
    were. No phone number, key or code is in it.
    """

    uid: str
    technician: str
    start: int
    end: int
    summary: str
    place: str = ""
    text: str = ""
    lat: float | None = None
    lon: float | None = None
    zone: str = ""


class Publication(msgspec.Struct, frozen=True, kw_only=True):
    """A plan to be put in force, with what changes for jobs and calendars.

    over: number of the plan in force it was made over; None where there was none.
    """

    plan: RoundPlan
    over: int | None = None
    steps: tuple[tuple[Job, JobStep], ...] = ()
    events: tuple[FeedEvent, ...] = ()
