"""What the planner takes and gives: frozen nouns, no solver type among them.

Times are whole UTC seconds; days are ISO dates of the office's zone ("2026-11-30"); money is in
whole units of the installer's currency (float), computed inside in ten-thousandths of it; lengths
are metres, durations seconds. Site hours, promises and shifts are moments, not patterns:
`fleet.model.round_plan` makes them from weekly hours and half-days.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, Protocol

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model.round_plan import (
    Change,
    ChangeKind,
    Changes,
    Half,
    Metrics,
    Offer,
    Proposal,
    Question,
    Reason,
    Round,
    RoundPlan,
    Span,
    Stop,
    TechnicianHours,
    Unplanned,
    Verdict,
    Violation,
    WeekLoad,
)

Matrix = NDArray[np.int32]
PinLevel = Literal["frozen", "retold", "told", "published"]


class RoundSite(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A place to go to: a customer's site, or the place of an errand.

    hours: when one is let in; None: always. test_hours: when an engine may be run there; None:
    whenever one is let in. access_s: gate and sign-in, once an arrival. extra_s and extra_money:
    ferry or toll, once an arrival. over_water: the way leads over water, so times are estimates.
    lat and lon: WGS 84 degrees; None: unknown, nothing there can be planned.
    """

    id: str
    lat: float | None
    lon: float | None
    name: str = ""
    access_s: int = 600
    hours: tuple[Span, ...] | None = None
    test_hours: tuple[Span, ...] | None = None
    extra_s: int = 0
    extra_money: float = 0.0
    over_water: bool = False


class RoundJob(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A piece of work at a place; an errand is one without units.

    due: to be done by then; None: no date, then it is worth only a trip saved. hard: pointless
    after (of work not due in the horizon). sigma_days: uncertainty of a forecast due date.
    parts_ready: when the parts are in hand; None: nobody knows. duration_s: own minutes where
    known. test_s: the last so many seconds of the work run the engine. promises: agreed half-days
    or appointments, work begins inside one of them and is due by the last; those that are over
    bind nobody any more; empty: none. technician: who was there last.
    only: the one technician who may do it. call_first: one call before a drive. routine: can wait
    out a storm week. urgent: each hour from now counts; it has waited since `reported`. people:
    hands needed.
    on_stop: the customer is on stop.
    """

    id: str
    site: str
    duration_s: int
    earliest: int = 0
    due: int | None = None
    hard: int | None = None
    sigma_days: float = 0.0
    skills: frozenset[str] = frozenset()
    parts_ready: int | None = 0
    safety: bool = False
    urgent: bool = False
    reported: int = 0
    routine: bool = True
    on_stop: bool = False
    people: int = 1
    call_first: bool = False
    interval_days: float = 182.0
    cost: float = 250.0
    test_s: int = 0
    promises: tuple[Span, ...] = ()
    technician: str = ""
    only: str = ""
    units: tuple[str, ...] = ()


class Shift(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One technician-day. reserve_s: kept free at its end for what nobody planned.

    start_site: where the technician is when the shift begins (re-planning in mid-day); "" : base.
    lunch_s: 0 where lunch was had already.
    """

    day: str
    start: int
    end: int
    lunch_s: int = 1800
    overtime_s: int = 0
    reserve_s: int = 3600
    start_site: str = ""


class Skill(msgspec.Struct, frozen=True):
    """A skill and the last day it is valid; "" : for good."""

    name: str
    until: str = ""


class Technician(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Who drives. Shifts after the horizon are read for the load of later weeks only."""

    id: str
    lat: float
    lon: float
    name: str = ""
    skills: tuple[Skill, ...] = ()
    shifts: tuple[Shift, ...] = ()

    def can(self, day: str) -> frozenset[str]:
        """Skills valid on a day (ISO dates compare as text)."""
        return frozenset(s.name for s in self.skills if not s.until or day <= s.until)


class Economics(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What things are worth, in whole units of currency. Common practice, no source.

    due: a due job, at least; late_day: more for each day of lateness that going then spares until
    the horizon ends; safety_factor times that for a set life depends on. margin: due and urgent work
    is worth at least so much more than its own way out and back (half a day on the road). urgent: a
    no-cover call, at least; urgent_hour: more for each hour of waiting spared. z_sigma: a forecast
    due date is brought in by so many sigmas. keep_*: what leaving a standing arrangement costs the
    plan. same_technician: who knows the set comes again.
    """

    km: float = 0.40
    hour: float = 36.0
    due: float = 400.0
    safety_factor: float = 2.5
    late_day: float = 20.0
    margin: float = 300.0
    urgent: float = 1500.0
    urgent_hour: float = 30.0
    overtime_hour: float = 18.0
    z_sigma: float = 1.0
    keep_published: float = 60.0
    keep_told: float = 400.0
    keep_retold: float = 600.0
    same_technician: float = 10.0


class Pin(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A standing arrangement: this job, with this technician, on this day, beginning then.

    frozen: does not move. told: the customer knows the half-day. retold: told anew after an
    upset, so not again. published: technicians know it. What has no pin is free.
    """

    job: str
    level: PinLevel
    technician: str
    day: str
    start: int


class Limits(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """How long to search. iterations given: the same plan every time; seconds: not promised."""

    seconds: float = 30.0
    iterations: int | None = None
    no_improvement: int | None = None
    seed: int = 1
    memory_mb: int = 1800
    solver: bool = True


SeenState = Literal["done", "part_done", "under_way", "gone"]


class Seen(msgspec.Struct, frozen=True, kw_only=True):
    """What people recorded of a job of the plan in force, for re-planning in mid-day.

    done, part_done: somebody was there and left off at `at`; under_way: there since `at`, for
    duration_s in all; gone: not to be done any more, and nobody went for it. A job that is part
    done may be asked for again.
    """

    state: SeenState
    at: int = 0
    duration_s: int = 0


class PlanRequest(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Everything a plan depends on. days: planned finely; later shifts: as load only.

    now: nothing begins before it. previous: the plan in force. radius_km: a site farther from
    every base is asked about, never driven to; None: no limit. recorded: what was recorded of the
    jobs of the plan in force where its day has begun; None: it has not. storm: first and last local
    day of a storm week. Who plans sees to these two first (`as_it_stands`).
    """

    first_day: str
    zone: str
    sites: tuple[RoundSite, ...]
    jobs: tuple[RoundJob, ...]
    technicians: tuple[Technician, ...]
    days: int = 14
    economics: Economics = Economics()
    pins: tuple[Pin, ...] = ()
    previous: RoundPlan | None = None
    now: int = 0
    limits: Limits = Limits()
    radius_km: float | None = 250.0
    recorded: Mapping[str, Seen] | None = None
    storm: tuple[str, str] | None = None


class Distances(msgspec.Struct, frozen=True, kw_only=True):
    """Metres and seconds between places, from row to column; zero on the diagonal.

    estimated: share of cells that no road table answered [0..1]. guessed: those cells; None: all, and
    none was asked. by: the road server's address.
    """

    metres: Matrix
    seconds: Matrix
    estimated: float = 1.0
    guessed: NDArray[np.bool_] | None = None
    by: str = ""

    @property
    def roads(self) -> str:
        """Which road server answers, and for how much; "" where every way is estimated. Two plans by
        the same roads are plans by the same ways."""
        if self.guessed is None or self.estimated >= 1.0:
            return ""
        return f"{self.by} {self.estimated:.2f}"

    @property
    def source(self) -> str:
        """Where the ways come from, as `RoundPlan.travel_source` says it."""
        if self.guessed is None:
            return "estimate"
        if self.estimated >= 1.0:
            return "no answer"
        return f"table, {100 * self.estimated:.0f} % estimated" if self.estimated else "table"


class Travel(Protocol):
    """Where distances come from."""

    def between(self, lat: NDArray[np.float64], lon: NDArray[np.float64]) -> Distances:
        """Distances between all pairs of places, in the order given (degrees)."""
        ...


__all__ = [
    "Change",
    "ChangeKind",
    "Changes",
    "Distances",
    "Economics",
    "Half",
    "Limits",
    "Matrix",
    "Metrics",
    "Offer",
    "Pin",
    "PinLevel",
    "PlanRequest",
    "Proposal",
    "Question",
    "Reason",
    "Round",
    "RoundJob",
    "RoundPlan",
    "RoundSite",
    "Seen",
    "SeenState",
    "Shift",
    "Skill",
    "Span",
    "Stop",
    "Technician",
    "TechnicianHours",
    "Travel",
    "Unplanned",
    "Verdict",
    "Violation",
    "WeekLoad",
]
