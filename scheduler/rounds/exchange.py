"""Due work that was left out takes the place of work that can better wait: repair after the search."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import msgspec

from scheduler.rounds.asked import Key
from scheduler.rounds.drive import Trace, drive, worth
from scheduler.rounds.fill import Days, best_of_day
from scheduler.rounds.view import View

LEAST = -(10**15)


class Swap(msgspec.Struct, frozen=True, order=True):
    """A day with one job in and another out. sooner: the one that goes in is due before the other."""

    gain: int
    sooner: bool
    key: Key
    out: str
    trace: Trace = msgspec.field(default_factory=lambda: Trace((), 0))

    @property
    def better(self) -> bool:
        """Worth more; or as much, and the longer due is done. Each step is one or the other, so a
        row of them ends."""
        return self.gain > 0 or (self.gain == 0 and self.sooner)


def exchange(view: View, days: Days, open_jobs: Iterable[str]) -> bool:
    """Put each due job of the open ones, the longest due first, in the place of another at the same
    site, or of one pulled forward on a day it fits into without that. Changes `days`; True: some did.
    """
    terms, judge = view.terms, view.terms.worth
    due = [job for job in open_jobs if view.has(job) and judge.is_due(job)]
    due.sort(key=lambda job: (not terms.jobs[job].urgent, judge.due_at(job) or 0, job))
    found = False
    for job in due:
        best = max(_swaps(view, days, job), default=None)
        if best is not None and best.better:
            days[best.key] = best.trace
            found = True
    return found


def _swaps(view: View, days: Days, job: str) -> Iterator[Swap]:
    for key in view.terms.able(job):
        trace = days.get(key)
        for n, other in enumerate(trace.jobs if trace else ()):
            assert trace is not None
            new = _without(view, key, trace, n, job)
            if new is not None:
                gain = worth(view, key, new) - worth(view, key, trace)
                yield Swap(gain, _sooner(view, job, other), key, other, new)


def _without(view: View, key: Key, trace: Trace, n: int, job: str) -> Trace | None:
    """The day with the job for its n-th; None where that is not tried, or does not go."""
    other, jobs = trace.jobs[n], trace.jobs
    if view.at(other) == view.at(job):
        return drive(view, key, (*jobs[:n], job, *jobs[n + 1 :]))
    if view.terms.worth.is_due(other):
        return None
    rest = drive(view, key, (*jobs[:n], *jobs[n + 1 :]))
    place = best_of_day(view, key, rest, [job], LEAST).get(job) if rest is not None else None
    return place.trace if place else None


def _sooner(view: View, job: str, other: str) -> bool:
    judge = view.terms.worth
    mine, its = judge.due_at(job), judge.due_at(other)
    return mine is not None and (its is None or mine < its)
