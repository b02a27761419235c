"""What a job is worth at a moment, and when it may begin. Money, not points.

Due work is worth `due`, and `late_day` for each day of lateness that going then spares until the
horizon ends: so going sooner is worth more, and work due sooner is never worth less than the like of
it that is due later, on any day. What has waited is worth more by a factor that grows with the days
late on the first day it could be done, to twice at most: more would let routine work outweigh a call
for help. An urgent call is worth more for each hour of waiting spared in the same way. Neither is ever
worth less than its own way out and back and `margin`, so distance alone leaves nothing overdue behind.
Work due later is worth the separate trip it saves less the running time thrown away. Labour is left
out: it is spent whenever the work is done.
"""

from __future__ import annotations

from functools import lru_cache

from fleet.calendar import DAY_S
from scheduler.rounds.index import FROZEN_SLACK_S, Key, RequestIndex
from scheduler.rounds.model import PlanRequest, RoundJob, Span
from scheduler.rounds.money import UNIT, money
from scheduler.rounds.solo_trips import SoloTrips

LATE_STEP_DAYS = 2
"""Lateness is shown to the engine in steps of so many days (docs/engineering/rounds.md#value).
Definition."""
FEW_JOBS = 60
"""Up to so many jobs it is shown in days: more alternatives than that cost the search too much. A
bound of ours."""
URGENT_STEP_S = 7_200
URGENT_DAYS = 14
"""Waiting spared by an urgent call counts for so many days: within what the engine's prizes hold.
Definition."""
WAITED_DAYS = 60.0
"""What has waited so long already is worth half as much again; common practice, no source."""

Pairs = list[tuple[int, int]]


class Worth:
    """Values of the jobs of one request, in money units."""

    def __init__(self, terms: RequestIndex, solo: SoloTrips) -> None:
        self.terms, self.solo = terms, solo
        self.due_at = lru_cache(maxsize=None)(self._due_at)
        self.is_due = lru_cache(maxsize=None)(self._is_due)
        self.first = lru_cache(maxsize=None)(self._first)
        self._starts: dict[str, Pairs] = {}
        self._shifts: dict[tuple[int, bool], tuple[tuple[Key, ...], Pairs]] = {}

    def _due_at(self, job_id: str) -> int | None:
        """Due date brought in by the uncertainty of a forecast, to a day after earliest at most; by
        the end of what was promised, kept or not."""
        job = self.terms.jobs[job_id]
        dates = [max(p.end for p in job.promises)] if job.promises else []
        if job.due is not None:
            sigma = self.terms.economics.z_sigma * job.sigma_days * DAY_S
            dates.append(min(job.due, max(job.earliest + DAY_S, int(job.due - sigma))))
        return min(dates, default=None)

    def _is_due(self, job_id: str) -> bool:
        due = self.due_at(job_id)
        return self.terms.jobs[job_id].urgent or (due is not None and due < self.terms.end)

    def starts(self, job_id: str) -> Pairs:
        """When work on a job may begin: (first, last) moments, in order."""
        if job_id not in self._starts:
            self._starts[job_id] = self._starts_of(self.terms.jobs[job_id])
        return self._starts[job_id]

    def _starts_of(self, job: RoundJob) -> Pairs:
        """Parts, access hours, test-run hours, promises, frozen moments."""
        terms = self.terms
        site, pin = terms.sites[job.site], terms.pins.get(job.id)
        first = max(job.earliest, job.parts_ready or 0, terms.earliest)
        last = terms.end - 1
        if job.hard is not None and not self.is_due(job.id):
            last = min(last, job.hard)
        found: Pairs = [(first, last)] if first <= last else []
        if pin and pin.level == "frozen":
            found = _common(found, [(pin.start, pin.start + FROZEN_SLACK_S)])
        ahead = [(p.start, p.end) for p in job.promises if p.end >= terms.earliest]
        if ahead:
            found = _common(found, ahead)
        if site.hours is not None:
            found = _common(found, _inside(site.hours, 0, job.duration_s))
        if site.test_hours is not None and job.test_s:
            found = _common(
                found, _inside(site.test_hours, job.duration_s - job.test_s, job.duration_s)
            )
        return found

    def _first(self, job_id: str) -> int:
        """The first moment of the horizon at which somebody able could begin a job; where there is
        none, that from which it may be begun."""
        terms, job = self.terms, self.terms.jobs[job_id]
        found = [
            at for a, b in self.starts(job_id) if (at := self._soonest(job_id, a, b)) is not None
        ]
        return min(found, default=max(job.earliest, job.parts_ready or 0, terms.earliest))

    def _soonest(self, job_id: str, a: int, b: int) -> int | None:
        """The first begin between two moments that some able technician-day could hold."""
        terms, job = self.terms, self.terms.jobs[job_id]
        able = terms.able(job_id)
        asked = (id(able), job.urgent)
        if asked not in self._shifts:
            pairs = sorted((terms.begins(key), terms.limit(key, job.urgent)) for key in able)
            self._shifts[asked] = able, pairs
        for begins, limit in self._shifts[asked][1]:
            at = max(a, begins)
            if at > b:
                return None
            if at + job.duration_s <= limit:
                return at
        return None

    def late_days(self, job_id: str, at: int) -> int:
        """Whole local days after the due day; 0 for work that is not due in the horizon."""
        due = self.due_at(job_id)
        if due is None or not self.is_due(job_id):
            return 0
        return max(0, self.terms.day_of(at) - self.terms.day_of(due))

    def at(self, job_id: str, at: int) -> int:
        """Worth of beginning a job at a moment."""
        job, e = self.terms.jobs[job_id], self.terms.economics
        if job.urgent:
            first = self.first(job_id)
            until = min(self.terms.end, first + URGENT_DAYS * DAY_S)
            spared_h = max(0, until - max(at, first)) / 3600
            waited = max(0, first - job.reported) / DAY_S
            return round(_aged(waited) * (self._least(job_id) + money(spared_h * e.urgent_hour)))
        due = self.due_at(job_id)
        if due is not None and self.is_due(job_id):
            day_of = self.terms.day_of
            first_day, due_day = day_of(self.first(job_id)), day_of(due)
            spared = max(0, len(self.terms.days) - max(day_of(at), first_day, due_day))
            factor = (e.safety_factor if job.safety else 1.0) * _aged(max(0, first_day - due_day))
            return round(factor * (self._least(job_id) + money(spared * e.late_day)))
        saved = self.terms.later.get(job.site, 0)
        if due is None:
            return saved
        early_days = (due - at) / DAY_S
        return round(saved - early_days / job.interval_days * job.cost * UNIT)

    def _least(self, job_id: str) -> int:
        """What a fresh piece of due or urgent work is worth at least."""
        e = self.terms.economics
        base = e.urgent if self.terms.jobs[job_id].urgent else e.due
        return max(money(base), self.solo.alone(job_id) + money(e.margin))

    def with_technician(self, job_id: str, technician: str, at: int) -> int:
        """Worth, plus that of the technician who was there last."""
        job = self.terms.jobs[job_id]
        known = round(self.terms.economics.same_technician * UNIT)
        return self.at(job_id, at) + (known if job.technician == technician != "" else 0)

    def standing(self, job_id: str, technician: str, at: int) -> int:
        """Worth to the plan: with what keeping an arrangement is worth."""
        pin = self.terms.pins.get(job_id)
        kept = self.terms.kept(pin, technician, at) if pin else 0
        return self.with_technician(job_id, technician, at) + kept

    def windows(self, job_id: str) -> list[tuple[int, int, int]]:
        """Mutually exclusive (first start, last start, worth) of one value each, those worth more
        than nothing that some able technician-day meets."""
        found = []
        for first, last in self.starts(job_id):
            for a, b in self._pieces(job_id, first, last):
                worth = self.at(job_id, (a + b) // 2)
                if worth > 0 and meets(self.terms, job_id, a, b):
                    found.append((a, b, worth))
        return found

    def _pieces(self, job_id: str, first: int, last: int) -> Pairs:
        terms = self.terms
        if terms.jobs[job_id].urgent:
            return _by_hours(first, last)
        due = self.due_at(job_id)
        if due is None or not self.is_due(job_id):
            return [(first, last)]
        pieces = []
        in_time = terms.midnight(terms.day_of(due) + 1) - 1
        if first <= in_time:
            pieces.append((first, min(last, in_time)))
            first = in_time + 1
        while first <= last:
            step = LATE_STEP_DAYS if len(terms.jobs) > FEW_JOBS else 1
            until = min(last, terms.midnight(terms.day_of(first) + step) - 1)
            pieces.append((first, until))
            first = until + 1
        return pieces


def _aged(waited_days: float) -> float:
    """What having waited multiplies by: from 1, growing with every day, below 2."""
    return 1.0 + waited_days / (waited_days + WAITED_DAYS)


def _by_hours(first: int, last: int) -> Pairs:
    """Two-hour pieces for a day, then a day each: an urgent value falls by the hour."""
    pieces: Pairs = []
    at = first
    while at <= last:
        step = URGENT_STEP_S if at - first < DAY_S else DAY_S
        pieces.append((at, min(last, at + step - 1)))
        at += step
    return pieces


def meets(terms: RequestIndex, job_id: str, first: int, last: int) -> bool:
    """Whether some able technician-day could hold the work begun between the two moments."""
    job = terms.jobs[job_id]
    return any(
        terms.begins(key) <= last and first + job.duration_s <= terms.limit(key, job.urgent)
        for key in terms.able(job_id)
    )


def _inside(spans: tuple[Span, ...], before_s: int, duration_s: int) -> Pairs:
    """Starts such that the work from `before_s` on lies in a span."""
    pairs = ((span.start - before_s, span.end - duration_s) for span in spans)
    return sorted((a, b) for a, b in pairs if a <= b)


def _common(left: Pairs, right: Pairs) -> Pairs:
    """What two sets of spans share, in order."""
    shared = ((max(a, c), min(b, d)) for a, b in left for c, d in right)
    return sorted({(a, b) for a, b in shared if a <= b})


class Terms(RequestIndex):
    """Everything about a request that needs no distance between sites."""

    def __init__(self, request: PlanRequest) -> None:
        super().__init__(request)
        self.solo = SoloTrips(self)
        self.worth = Worth(self, self.solo)

    def starts(self, job_id: str) -> list[tuple[int, int]]:
        """When work on a job may begin: (first, last) moments, in order."""
        return self.worth.starts(job_id)
