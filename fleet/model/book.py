"""The office's book of open work, what planning reads beside it, and a visit as a calendar shows it."""

from __future__ import annotations

from collections import Counter

import msgspec

from fleet.model.engine import DueItem
from fleet.model.episodes import Episode, Severity
from fleet.model.jobs import Contract, Job, JobStep, SiteCard, Technician
from fleet.model.register import Customer, ServicePlan, Site, Unit
from fleet.model.round_plan import RoundPlan

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
    """A task on a set's due list, with the set and its site."""

    item: DueItem
    unit: Unit
    site: Site


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


class StoredPlan(msgspec.Struct, frozen=True, kw_only=True):
    """A kept plan of rounds. fingerprint: of what was asked when it was made."""

    id: int
    fingerprint: str
    plan: RoundPlan


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
