"""A plan of service rounds as it is kept and read by everybody: rounds, stops, reasons, changes.

Times are whole UTC seconds; days are ISO dates of the office's zone; money is in whole units of the
installer's currency; lengths are metres, durations seconds. The planner makes it (`scheduler.rounds`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, time
from enum import Enum
from typing import Literal

import msgspec

from fleet.calendar import day_bounds, days_from, instant, local

Half = Literal["morning", "afternoon"]
ChangeKind = Literal["dropped", "moved_day", "moved_technician", "moved_hour", "added"]


class Span(msgspec.Struct, frozen=True):
    """From start to end, UTC seconds, both ends belong to it."""

    start: int
    end: int


MORNING = (time(8), time(12))
AFTERNOON = (time(12), time(17))
"""What a customer is promised; common practice, no source."""


def weekly(
    hours: Mapping[int, Sequence[tuple[str, str]]], first_day: str, days: int, zone: str
) -> tuple[Span, ...]:
    """The moments of weekly hours: weekday (Monday is 0) to ("08:00", "12:00") pairs.

    An end of "24:00" is midnight. Raises ValueError for a time that is none.
    """
    found = []
    for day in days_from(first_day, days):
        on = date.fromisoformat(day)
        for opens, closes in hours.get(on.weekday(), ()):
            end = day_bounds(on, zone)[1] if closes == "24:00" else _at(on, closes, zone)
            found.append(Span(_at(on, opens, zone), end))
    return tuple(found)


def half_day(day: str, half: Half, zone: str) -> Span:
    """The morning (8 to 12) or afternoon (12 to 17) of a local day."""
    on = date.fromisoformat(day)
    begin, end = MORNING if half == "morning" else AFTERNOON
    return Span(instant(on, begin, zone), instant(on, end, zone))


def half_of(at: int, zone: str) -> tuple[str, Half]:
    """The local day and half-day a moment belongs to (before noon: morning)."""
    moment = local(at, zone)
    return moment.date().isoformat(), "morning" if moment.hour < 12 else "afternoon"


def _at(day: date, wall: str, zone: str) -> int:
    return instant(day, time.fromisoformat(wall), zone)


class Reason(Enum):
    """Why a job is in no round: the first that applies."""

    ON_STOP = "on_stop"
    NEEDS_TWO = "needs_two"
    NOT_YET_USEFUL = "not_yet_useful"
    PARTS = "parts"
    NO_SKILL = "no_skill"
    NO_WINDOW = "no_window"
    UNREACHABLE = "unreachable"
    NOT_WORTH_IT = "not_worth_it"
    NO_CAPACITY = "no_capacity"
    SEARCH_LIMIT = "search_limit"


class Unplanned(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A job in no round and the one reason. detail: a plain sentence; it may name a skill, so escape it.

    blocking: jobs that stand in its way. earliest: first possible date (ISO), None: not known.
    """

    job: str
    reason: Reason
    detail: str = ""
    blocking: tuple[str, ...] = ()
    earliest: str | None = None


class Stop(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One arrival at a place and all the work done there then.

    arrive: at the gate; start: first work begins; finish: last work ends. starts: begin of each
    job, in the order of `jobs`. estimate: the way there leads over water or was not seen by a
    road table. call_first: jobs of these that want a call before the drive.
    """

    site: str
    jobs: tuple[str, ...]
    arrive: int
    start: int
    finish: int
    starts: tuple[int, ...]
    metres: int = 0
    travel_s: int = 0
    late_days: int = 0
    pulled_forward: tuple[str, ...] = ()
    call_first: tuple[str, ...] = ()
    estimate: bool = True


class Round(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One technician's day: leave, stops, home. lunch: None where none is due or it was had."""

    technician: str
    day: str
    depart: int
    back: int
    stops: tuple[Stop, ...]
    lunch: Span | None = None
    metres: int = 0
    travel_s: int = 0
    wait_s: int = 0
    work_s: int = 0

    @property
    def jobs(self) -> tuple[str, ...]:
        return tuple(job for stop in self.stops for job in stop.jobs)


class Change(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What is different about one job. Old and new place: technician, day, start; "" and 0: none.

    why: shift_gone, job_gone, made_room, better_round, new. price: value this costs (money).
    """

    job: str
    kind: ChangeKind
    technician: str = ""
    day: str = ""
    start: int = 0
    new_technician: str = ""
    new_day: str = ""
    new_start: int = 0
    why: str = ""
    price: float = 0.0


class Changes(msgspec.Struct, frozen=True, kw_only=True):
    """The difference between two plans. kept: jobs in both. moved: an hour and less is none."""

    kept: int = 0
    changes: tuple[Change, ...] = ()

    def of(self, *kinds: ChangeKind) -> tuple[Change, ...]:
        return tuple(change for change in self.changes if change.kind in kinds)

    @property
    def disturbed(self) -> tuple[Change, ...]:
        """Dropped, or moved to another day or technician; not what is no longer to be done."""
        moved = self.of("dropped", "moved_day", "moved_technician")
        return tuple(change for change in moved if change.why != "job_gone")


class TechnicianHours(msgspec.Struct, frozen=True, kw_only=True):
    """One technician's share of the plan, in hours."""

    technician: str
    days: int
    shift_h: float
    work_h: float
    travel_h: float
    wait_h: float


class WeekLoad(msgspec.Struct, frozen=True, kw_only=True):
    """A week after the horizon, by hours only. monday: ISO date. jobs: put there, not ordered."""

    monday: str
    shift_h: float
    needed_h: float
    jobs: tuple[str, ...] = ()


class Metrics(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The same for every planner. value: worth of the work less the cost of the way (money).

    backlog_days: late job-days done plus, for due work left open, the days late at the horizon's
    end. by_hand_*: the by-hand plan of the same request; None where it was not made.
    same_by_hand_km: by hand for just the jobs this plan does; None where they do not all fit in so.
    """

    value: float = 0.0
    cost: float = 0.0
    km: float = 0.0
    travel_h: float = 0.0
    wait_h: float = 0.0
    work_h: float = 0.0
    rounds: int = 0
    stops: int = 0
    jobs: int = 0
    due: int = 0
    due_done: int = 0
    safety_open: int = 0
    pulled_forward: int = 0
    late: int = 0
    late_days: int = 0
    backlog_days: int = 0
    technicians: tuple[TechnicianHours, ...] = ()
    by_hand_value: float | None = None
    by_hand_km: float | None = None
    by_hand_jobs: int | None = None
    by_hand_due_done: int | None = None
    by_hand_safety_open: int | None = None
    same_by_hand_km: float | None = None

    @property
    def does_as_much(self) -> bool:
        """Whether the plan does no less than the by-hand plan, so that kilometres may be compared;
        False where that is not known."""
        return (
            self.by_hand_jobs is not None
            and self.jobs >= self.by_hand_jobs
            and self.due_done >= (self.by_hand_due_done or 0)
            and self.safety_open <= (self.by_hand_safety_open or 0)
        )


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """Something in the request that looks wrong and is left out until somebody answers.

    kind: too_far (beyond the radius), swapped (fits once latitude and longitude change places),
    no_place (no coordinates). km: to the nearest base.
    """

    kind: Literal["too_far", "swapped", "no_place"]
    site: str
    km: float | None = None


class RoundPlan(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Rounds, and a reason for every job that is in none.

    travel_source: "estimate", "table", "table, N % estimated", or "no answer" (estimated, for the road
    server said nothing). engine: "pyvrp 0.14.1", "by
    hand" (fallback or asked for), "stopped" added where the watchdog ended it.
    """

    first_day: str
    days: int
    zone: str
    rounds: tuple[Round, ...] = ()
    unplanned: tuple[Unplanned, ...] = ()
    changes: Changes = Changes()
    metrics: Metrics = Metrics()
    questions: tuple[Question, ...] = ()
    load: tuple[WeekLoad, ...] = ()
    travel_source: str = "estimate"
    seed: int = 0
    engine: str = ""
    fingerprint: str = ""

    @property
    def jobs(self) -> set[str]:
        """Jobs that stand in a round."""
        return {job for one in self.rounds for job in one.jobs}

    @property
    def places(self) -> dict[str, tuple[str, str, int]]:
        """Technician, day and begin of each planned job."""
        return {
            job: (one.technician, one.day, start)
            for one in self.rounds
            for stop in one.stops
            for job, start in zip(stop.jobs, stop.starts, strict=True)
        }

    def round_of(self, technician: str, day: str) -> Round | None:
        """The round of a technician's day, or None."""
        found = (one for one in self.rounds if (one.technician, one.day) == (technician, day))
        return next(found, None)

    def visited(self, day: str) -> set[str]:
        """Places that people are sent to on a day."""
        return {stop.site for one in self.rounds if one.day == day for stop in one.stops}


class Violation(msgspec.Struct, frozen=True, kw_only=True):
    """A rule that a plan breaks. kind: see `scheduler.rounds.checker`; detail: a plain sentence."""

    kind: str
    detail: str
    job: str = ""
    technician: str = ""
    day: str = ""


class Proposal(msgspec.Struct, frozen=True, kw_only=True):
    """One way to fit an urgent job in: the whole plan, and what it does to others.

    kind: "least" disturbs fewest, "soonest" is there first, "other": the next best day where one
    way is both. price: value it costs (money), the urgent job's own worth left out.
    """

    kind: Literal["least", "soonest", "other"]
    plan: RoundPlan
    technician: str
    day: str
    arrive: int
    changes: Changes
    price: float
    uses_reserve: bool = False


class Verdict(msgspec.Struct, frozen=True, kw_only=True):
    """A plan changed by hand, and what the checker says of it at once; empty: nothing broken."""

    plan: RoundPlan
    violations: tuple[Violation, ...]
    changes: Changes


class Offer(msgspec.Struct, frozen=True, kw_only=True):
    """A promise to be made anew, in the order of the calls. new_day "" : none yet, job stays open."""

    n: int
    job: str
    day: str
    half: Half
    new_day: str = ""
    new_half: Half | None = None
    earliest: str | None = None
