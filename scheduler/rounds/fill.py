"""Fitting more work into driven days, without a solver: repair, urgent calls, reasons.

A place in a round is looked at only when the round's slack could take it and its upper bound of
gain could beat what is known; then the whole day is driven again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import msgspec
import numpy as np

from scheduler.rounds.drive import Trace, drive, worth
from scheduler.rounds.index import Key
from scheduler.rounds.money import UNIT
from scheduler.rounds.network import Network

Days = dict[Key, Trace]
NEVER = -(10**15)
"""Less than any place is worth. A bound of ours."""
LEEWAY = 5 * UNIT
"""What pushing the rest of a day back may add to its worth: an upper bound must not miss it. A
bound of ours."""


class Place(msgspec.Struct, frozen=True, order=True):
    """Where a job could go, best first when sorted backwards. gain: money units."""

    gain: int
    key: Key
    position: int
    trace: Trace = msgspec.field(default_factory=lambda: Trace((), 0))


class Bound(msgspec.Struct, frozen=True, order=True):
    """A place that may be possible, and the most it could gain."""

    most: int
    job: str
    position: int


def bounds(network: Network, key: Key, trace: Trace | None, jobs: Iterable[str]) -> list[Bound]:
    """Places of a day whose slack may take one of the jobs, with an upper bound of the gain."""
    terms = network.terms
    wanted = [job for job in jobs if network.has(job) and terms.may(job, key)]
    if not wanted:
        return []
    jobs_in = trace.jobs if trace else ()
    stops = [network.at(job) for job in jobs_in]
    before = np.array([network.leaves_from(key), *stops])
    after = np.array([*stops, network.base[key[0]]])
    nodes = np.array([network.at(job) for job in wanted])
    more_s, more_m = (
        _detour(matrix, before, after, nodes) for matrix in (network.seconds, network.metres)
    )
    new_gate = (before[:, None] != nodes[None, :]) & (after[:, None] != nodes[None, :])
    gates = np.array([network.access[n] for n in nodes])[None, :] * new_gate
    work = np.array([terms.jobs[job].duration_s for job in wanted])
    urgent = any(terms.jobs[job].urgent for job in jobs_in)
    slack = np.array([_slack(network, key, trace, urgent or terms.jobs[j].urgent) for j in wanted])
    most = np.array([_most(network, key, job) for job in wanted])
    gain = most[None, :] - more_m * network.per_m - np.maximum(0, more_s) * network.per_s
    gain = gain + LEEWAY + (trace.wait_s * network.per_s if trace else 0)
    fits = more_s + gates + work[None, :] <= slack[None, :]
    return [
        Bound(int(gain[p, j]), wanted[j], int(p)) for p, j in zip(*np.nonzero(fits), strict=True)
    ]


def _detour(
    matrix: np.ndarray[tuple[int, ...], np.dtype[np.int32]],
    before: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    after: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
    nodes: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    way = matrix[np.ix_(before, nodes)].astype(np.int64) + matrix[np.ix_(nodes, after)].T
    found: np.ndarray[tuple[int, ...], np.dtype[np.int64]] = way - matrix[before, after][:, None]
    return found


def _slack(network: Network, key: Key, trace: Trace | None, urgent: bool) -> int:
    limit = network.terms.limit(key, urgent)
    if trace is None or not trace.jobs:
        return limit - network.terms.begins(key)
    put_off = trace.depart - network.terms.begins(key)
    return limit - trace.back + trace.wait_s + put_off


def _most(network: Network, key: Key, job: str) -> int:
    """The most a job could be worth on a day: values are monotone, so at one of its ends."""
    terms = network.terms
    pin = terms.pins.get(job)
    ends = (terms.begins(key), terms.limit(key, True))
    kept = 2 * terms.keeping(pin) if pin else 0
    return max(terms.worth.with_technician(job, key[0], at) for at in ends) + kept


def place_at(
    network: Network, key: Key, trace: Trace | None, job: str, position: int
) -> Place | None:
    """Drive the day with the job at a position; None where it does not go."""
    jobs = trace.jobs if trace else ()
    longer = drive(network, key, (*jobs[:position], job, *jobs[position:]))
    if longer is None:
        return None
    return Place(worth(network, key, longer) - worth(network, key, trace), key, position, longer)


def best_of_day(
    network: Network, key: Key, trace: Trace | None, jobs: Iterable[str], at_least: int = 1
) -> dict[str, Place]:
    """The best place of one day for each of the jobs that gains at least so much there."""
    found: dict[str, Place] = {}
    for bound in sorted(bounds(network, key, trace, jobs), reverse=True):
        known = found.get(bound.job)
        if bound.most < at_least or (known and known.gain >= bound.most):
            continue
        place = place_at(network, key, trace, bound.job, bound.position)
        if place and place.gain >= at_least and (known is None or place.gain > known.gain):
            found[bound.job] = place
    return found


def best_place(network: Network, days: Mapping[Key, Trace], job: str) -> Place | None:
    """The best place for one job over all days, however little it gains; None: fits nowhere."""
    return best_of(network, days, possible(network, days, [job]).get(job, []))


def possible(
    network: Network, days: Mapping[Key, Trace], jobs: Sequence[str]
) -> dict[str, list[tuple[Bound, Key]]]:
    """Every place each of the jobs may have, day by day for all at once."""
    found: dict[str, list[tuple[Bound, Key]]] = {}
    for key in network.terms.shifts:
        for bound in bounds(network, key, days.get(key), jobs):
            found.setdefault(bound.job, []).append((bound, key))
    return found


def best_of(
    network: Network, days: Mapping[Key, Trace], found: list[tuple[Bound, Key]]
) -> Place | None:
    """The best of some places, driven; those that cannot be better are not driven."""
    best: Place | None = None
    for bound, key in sorted(found, key=lambda f: (-f[0].most, f[1], f[0].position)):
        if best and best.gain >= bound.most:
            break
        place = place_at(network, key, days.get(key), bound.job, bound.position)
        if place and (best is None or place.gain > best.gain):
            best = place
    return best


def fill(network: Network, days: Days, open_jobs: Iterable[str]) -> int:
    """Put in whatever still pays, the best gain first. Changes `days`; says how many went in."""
    left = {job for job in open_jobs if network.has(job)}
    known = {key: best_of_day(network, key, days.get(key), left) for key in network.terms.shifts}
    count = 0
    while True:
        best = max(
            ((place.gain, job, place) for at in known.values() for job, place in at.items()),
            key=lambda found: (found[0], found[1], found[2].key),
            default=None,
        )
        if best is None:
            return count
        _, job, place = best
        days[place.key] = place.trace
        left.discard(job)
        for at in known.values():
            at.pop(job, None)
        known[place.key] = best_of_day(network, place.key, place.trace, left)
        count += 1


def settle_days(network: Network, days: Days) -> None:
    """Give each technician's rounds to the days on which they are worth most; changes `days`.

    The engine sees lateness in steps and takes days for interchangeable; this does not.
    """
    from scipy.optimize import linear_sum_assignment  # here: see terms

    for technician in network.terms.technicians:
        keys = [key for key in network.terms.shifts if key[0] == technician]
        rounds = [days[key].jobs for key in keys if key in days and days[key].jobs]
        if not rounds:
            continue
        tries = [[drive(network, key, jobs) for key in keys] for jobs in rounds]
        gains = np.array(
            [
                [
                    NEVER if t is None else worth(network, key, t)
                    for key, t in zip(keys, row, strict=True)
                ]
                for row in tries
            ]
        )
        now = sum(worth(network, key, days[key]) for key in keys if key in days)
        rows, columns = linear_sum_assignment(gains, maximize=True)
        if int(gains[rows, columns].sum()) <= now:
            continue
        for key in keys:
            days.pop(key, None)
        for row, column in zip(rows, columns, strict=True):
            trace = tries[row][column]
            assert trace is not None
            days[keys[column]] = trace
