"""One technician-day driven to the second: leave, drive, sign in, wait, lunch, work, go home.

The engine's times are never used; this is what a customer is told. Lunch is before the first work
that begins four hours or more after leaving or would end later than six hours after leaving, in
waiting time from two hours on, or before the way home of a round over six hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from scheduler.rounds.index import Key
from scheduler.rounds.model import Round, Span, Stop
from scheduler.rounds.network import Network

LUNCH_AFTER_S, LUNCH_WITHIN_S, LUNCH_WAITING_S = 4 * 3600, 6 * 3600, 2 * 3600
"""Common practice, no source (six hours without a break: many working-time laws; memory)."""
MINUTE_S = 60
"""Seconds. Arithmetic."""


class Trace(msgspec.Struct):
    """A driven day. jobs, arrives, starts: one for each job. access_s: gates, ferries."""

    jobs: tuple[str, ...]
    depart: int
    back: int = 0
    arrives: list[int] = []
    starts: list[int] = []
    legs: list[tuple[int, int]] = []
    lunch: int = 0
    metres: int = 0
    travel_s: int = 0
    wait_s: int = 0
    access_s: int = 0
    toll: int = 0
    in_time: bool = True


class Outing(NamedTuple):
    """What is driven: a technician-day's jobs in order. lenient and lunch as `drive` takes them."""

    network: Network
    key: Key
    jobs: Sequence[str]
    lenient: bool
    lunch: bool


def drive(
    network: Network, key: Key, jobs: Sequence[str], lenient: bool = False, lunch: bool = True
) -> Trace | None:
    """Drive a day's jobs in the given order; None where a rule would be broken.

    lenient: never None; late arrivals work all the same (for a plan made by hand, which the
    checker then judges). Leaving is put off while that costs nothing.
    """
    terms = network.terms
    if not lenient and any(not terms.may(job, key) for job in jobs):
        return None
    day = Outing(network, key, jobs, lenient, lunch)
    trace = _run(day, terms.begins(key))
    if trace is None:
        return None
    limit = terms.limit(key, any(terms.jobs[job].urgent for job in jobs))
    if trace.back > limit and not lenient:
        return None
    if trace.wait_s > MINUTE_S:
        trace = _leave_later(day, trace)
    return trace


def _leave_later(day: Outing, trace: Trace) -> Trace:
    """Put off leaving, to the minute, as long as one is home no later."""
    low, high = trace.depart, trace.depart + trace.wait_s
    while high - low > MINUTE_S:
        middle = (low + high) // 2
        later = _run(day, middle)
        if later is not None and later.back <= trace.back and (later.in_time or not trace.in_time):
            low, trace = middle, later
        else:
            high = middle
    return trace


def _run(day: Outing, depart: int) -> Trace | None:
    network, key, jobs, lenient, lunch = day
    terms, legs, access = network.terms, network.s, network.access
    lunch_s = terms.shifts[key].lunch_s if lunch else 0
    trace = Trace(tuple(jobs), depart)
    here, at, ate = network.leaves_from(key), depart, lunch_s == 0
    for job in jobs:
        there = network.at(job)
        arrive = at
        if there != here or not trace.starts:
            arrive = at = _leg(network, trace, here, there, at)
            at += access[there]
            trace.access_s += access[there]
            trace.toll += network.toll[there]
        duration = terms.jobs[job].duration_s
        spans = terms.starts(job)
        if not ate and _hungry(at, depart, duration, lunch_s, spans):
            trace.lunch, at, ate = at, at + lunch_s, True
        start = _begin(spans, at)
        if start is None:
            if not lenient:
                return None
            start, trace.in_time = at, False
        if not ate and start - at >= lunch_s and at - depart >= LUNCH_WAITING_S:
            trace.lunch, ate = at, True
            trace.wait_s -= lunch_s
        trace.wait_s += start - at
        trace.arrives.append(arrive)
        trace.starts.append(start)
        at, here = start + duration, there
    home = network.base[key[0]]
    if not ate and at + legs[here, home] - depart > LUNCH_WITHIN_S:
        trace.lunch, at = at, at + lunch_s
    trace.back = _leg(network, trace, here, home, at)
    return trace


def _leg(network: Network, trace: Trace, here: int, there: int, at: int) -> int:
    metres, seconds = int(network.m[here, there]), int(network.s[here, there])
    trace.legs.append((metres, seconds))
    trace.metres += metres
    trace.travel_s += seconds
    return at + seconds


def _hungry(
    at: int, depart: int, duration: int, lunch_s: int, spans: list[tuple[int, int]]
) -> bool:
    """Whether lunch comes before this work; not where the work can only begin without."""
    ends_in_time = at + duration - depart <= LUNCH_WITHIN_S
    if at - depart < LUNCH_AFTER_S and ends_in_time:
        return False
    return not (ends_in_time and _begin(spans, at) == at and _begin(spans, at + lunch_s) is None)


def _begin(spans: list[tuple[int, int]], at: int) -> int | None:
    for first, last in spans:
        if at <= last:
            return max(at, first)
    return None


def cost(network: Network, key: Key, trace: Trace) -> int:
    """Money of the way: metres, driving, gates, waiting, tolls, overtime."""
    if not trace.jobs:
        return 0
    over = max(0, trace.back - network.terms.shifts[key].end)
    spent = (trace.travel_s + trace.wait_s + trace.access_s) * network.per_s
    return trace.metres * network.per_m + spent + trace.toll + over * network.overtime_s


def worth(network: Network, key: Key, trace: Trace | None) -> int:
    """Worth of a round to the plan: its jobs, with arrangements kept, less the way."""
    if trace is None or not trace.jobs:
        return 0
    standing = network.terms.worth.standing
    earned = sum(standing(j, key[0], at) for j, at in zip(trace.jobs, trace.starts, strict=True))
    return earned - cost(network, key, trace)


def as_round(network: Network, key: Key, trace: Trace) -> Round:
    """The noun of a driven day, jobs at one place gathered in one stop."""
    terms = network.terms
    stops: list[Stop] = []
    legs = iter(trace.legs)
    for job, arrive, start in zip(trace.jobs, trace.arrives, trace.starts, strict=True):
        site = terms.jobs[job].site
        if stops and stops[-1].site == site:
            stops[-1] = _joined(stops[-1], network, job, start)
            continue
        metres, seconds = next(legs)
        stop = Stop(
            site=site,
            jobs=(),
            arrive=arrive,
            start=start,
            finish=start,
            starts=(),
            metres=metres,
            travel_s=seconds,
            estimate=_estimated(network, key, stops, site),
        )
        stops.append(_joined(stop, network, job, start))
    lunch_s = terms.shifts[key].lunch_s
    return Round(
        technician=key[0],
        day=key[1],
        depart=trace.depart,
        back=trace.back,
        stops=tuple(stops),
        lunch=Span(trace.lunch, trace.lunch + lunch_s) if trace.lunch else None,
        metres=trace.metres,
        travel_s=trace.travel_s,
        wait_s=trace.wait_s,
        work_s=sum(terms.jobs[job].duration_s for job in trace.jobs),
    )


def _joined(stop: Stop, network: Network, job: str, start: int) -> Stop:
    terms = network.terms
    noun, worth_of = terms.jobs[job], terms.worth
    return msgspec.structs.replace(
        stop,
        jobs=(*stop.jobs, job),
        starts=(*stop.starts, start),
        finish=start + noun.duration_s,
        late_days=max(stop.late_days, worth_of.late_days(job, start)),
        pulled_forward=stop.pulled_forward + (() if worth_of.is_due(job) else (job,)),
        call_first=stop.call_first + ((job,) if noun.call_first else ()),
    )


def _estimated(network: Network, key: Key, stops: list[Stop], site: str) -> bool:
    guessed = network.distances.guessed
    here = network.node[stops[-1].site] if stops else network.leaves_from(key)
    there = network.node[site]
    cell = True if guessed is None else bool(guessed[here, there])
    return cell or network.terms.sites[site].over_water
