"""What an installer does by hand: the fallback, the warm start, and the yardstick.

Each day each technician takes the most urgent open job (calls for help first, then the longest due),
then drives on to the nearest open job that is due soon, until the day is full.
"""

from __future__ import annotations

from collections.abc import Iterable

from fleet.calendar import DAY_S
from scheduler.rounds.drive import drive
from scheduler.rounds.fill import Days
from scheduler.rounds.index import Key
from scheduler.rounds.network import Network

LOOK_DAYS = 14
"""Due within so many days is soon (docs/engineering/rounds.md#by-hand: a longer look does worse).
Measured."""
NEAREST = 25
"""So many near jobs are tried before the day counts as full. A bound of ours."""


Soon = tuple[bool, int, str]
"""No call for help, UTC day from which it counts, job: the most urgent first."""


def by_hand(network: Network, open_jobs: Iterable[str], any_date: bool = False) -> Days:
    """Days filled by hand, after what is pinned is in place. any_date: all of it counts as due
    soon, for the yardstick of the same work."""
    left = {job for job in open_jobs if network.has(job)}
    made = pinned(network, left)
    for trace in made.values():
        left -= set(trace.jobs)
    for key in sorted(
        network.terms.shifts, key=lambda k: (k[1], list(network.terms.technicians).index(k[0]))
    ):
        jobs = _day(network, key, left, made[key].jobs if key in made else (), any_date)
        full = drive(network, key, jobs) if jobs else None
        if full is not None:
            made[key] = full
            left -= set(full.jobs)
    return made


def pinned(network: Network, jobs: Iterable[str]) -> Days:
    """Days with what was arranged, where it still goes, in order of time; firmest first."""
    firm = {"frozen": 0, "retold": 1, "told": 2, "published": 3}
    pins = [network.terms.pins[job] for job in jobs if job in network.terms.pins]
    made: Days = {}
    for pin in sorted(pins, key=lambda p: (firm[p.level], p.start, p.job)):
        key = (pin.technician, pin.day)
        if key not in network.terms.shifts:
            continue
        there = made[key].jobs if key in made else ()
        starts = {job: network.terms.pins[job].start for job in (*there, pin.job)}
        trace = drive(network, key, sorted(starts, key=lambda job: (starts[job], job)))
        if trace is not None:
            made[key] = trace
    return made


def _day(
    network: Network, key: Key, left: set[str], jobs: tuple[str, ...], any_date: bool
) -> tuple[str, ...]:
    terms = network.terms
    today = terms.day_of(terms.begins(key))
    tomorrow = terms.midnight(today + 1)
    until = terms.midnight(today + LOOK_DAYS)
    soon: list[Soon] = []
    for job in left:
        noun = terms.jobs[job]
        due = noun.reported if noun.urgent else noun.due or terms.worth.due_at(job)
        near = any_date or (due is not None and due < until)
        if near and noun.earliest < tomorrow and terms.may(job, key):
            soon.append((not noun.urgent, (terms.end if due is None else due) // DAY_S, job))
    if not jobs:
        jobs = _first(network, key, soon)
    order = {name: n for n, (_, _, name) in enumerate(sorted(soon))}
    while jobs:
        here = network.at(jobs[-1])
        near_first = sorted(
            order.keys() - set(jobs), key=lambda job: (network.s[here, network.at(job)], order[job])
        )
        longer = next(
            (j for j in near_first[:NEAREST] if drive(network, key, (*jobs, j)) is not None), None
        )
        if longer is None:
            break
        jobs = (*jobs, longer)
    return jobs


def _first(network: Network, key: Key, soon: list[Soon]) -> tuple[str, ...]:
    base = network.leaves_from(key)
    for _, _, job in sorted(
        soon, key=lambda one: (*one[:2], network.s[base, network.at(one[2])], one[2])
    ):
        if drive(network, key, (job,)) is not None:
            return (job,)
    return ()
