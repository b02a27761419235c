"""Due work that was left out takes the place of work that can better wait: repair after the search."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations

import msgspec

from scheduler.rounds.drive import Trace, drive, worth
from scheduler.rounds.fill import Days, best_of_day
from scheduler.rounds.index import Key
from scheduler.rounds.money import UNIT
from scheduler.rounds.network import Network

LEAST = -(10**15)
"""Less than any place is worth. A bound of ours."""
LEEWAY = 600
"""Currency that a shorter way may save: what gives way may be worth so much more together. A bound
of ours."""
GIVE_WAY = 2
"""So many jobs of a day at most give way to a call for help or work that life depends on. Common
practice, no source."""


class Swap(msgspec.Struct, frozen=True):
    """A day with one job in and others out. sooner: the one that goes in is due before the other."""

    gain: int
    sooner: bool
    key: Key
    out: tuple[str, ...]
    trace: Trace

    @property
    def better(self) -> bool:
        """Worth more; or as much, and the longer due is done. Each step is one or the other, so a
        row of them ends."""
        return self.gain > 0 or (self.gain == 0 and self.sooner)


def exchange(network: Network, days: Days, open_jobs: Iterable[str]) -> bool:
    """Put each due job of the open ones, the longest due first, in the place of another at the same
    site, or of one pulled forward on a day it fits into without that; a call for help and work that
    life depends on also in the place of whatever is worth less. Changes `days`; True: some did.
    """
    terms, judge = network.terms, network.terms.worth
    due = [job for job in open_jobs if network.has(job) and judge.is_due(job)]
    due.sort(key=lambda job: (not terms.jobs[job].urgent, judge.due_at(job) or 0, job))
    found = False
    for job in due:
        best = max(_swaps(network, days, job), key=_rank, default=None)
        if best is not None and best.better:
            days[best.key] = best.trace
            found = True
    return found


def _rank(swap: Swap) -> tuple[int, bool, Key, tuple[str, ...]]:
    return swap.gain, swap.sooner, swap.key, swap.out


def _swaps(network: Network, days: Days, job: str) -> Iterator[Swap]:
    noun = network.terms.jobs[job]
    for key in network.terms.able(job):
        trace = days.get(key)
        if trace is None:
            continue
        before = worth(network, key, trace)
        for n, other in enumerate(trace.jobs):
            if network.at(other) == network.at(job):
                new = drive(network, key, (*trace.jobs[:n], job, *trace.jobs[n + 1 :]))
                if new is not None:
                    gain = worth(network, key, new) - before
                    yield Swap(gain, _sooner(network, job, other), key, (other,), new)
        for out in _giving_way(network, key, trace, job, noun.urgent or noun.safety):
            rest = drive(network, key, [name for name in trace.jobs if name not in out])
            place = best_of_day(network, key, rest, [job], LEAST).get(job) if rest else None
            if place is not None:
                yield Swap(worth(network, key, place.trace) - before, False, key, out, place.trace)


def _giving_way(
    network: Network, key: Key, trace: Trace, job: str, pressing: bool
) -> Iterator[tuple[str, ...]]:
    """Jobs of a day that may give way: each one pulled forward; to what is pressing any one or two
    that are worth less together."""
    judge = network.terms.worth
    most = judge.with_technician(job, key[0], network.terms.begins(key))
    at = dict(zip(trace.jobs, trace.starts, strict=True))
    kept = {name: judge.standing(name, key[0], start) for name, start in at.items()}
    for count in range(1, (GIVE_WAY if pressing else 1) + 1):
        for out in combinations(trace.jobs, count):
            may = pressing or not judge.is_due(out[0])
            if may and sum(kept[name] for name in out) < most + UNIT * LEEWAY:
                yield out


def _sooner(network: Network, job: str, other: str) -> bool:
    judge = network.terms.worth
    mine, its = judge.due_at(job), judge.due_at(other)
    return mine is not None and (its is None or mine < its)
