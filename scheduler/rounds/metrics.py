"""What a plan comes to, by the same measure for every planner; and the load of later weeks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, timedelta

from fleet.calendar import local_date
from scheduler.rounds.drive import Trace, cost
from scheduler.rounds.index import Key
from scheduler.rounds.model import Metrics, Shift, TechnicianHours, WeekLoad
from scheduler.rounds.money import UNIT
from scheduler.rounds.network import Network
from scheduler.rounds.value import Terms

WAY_S = 1800
"""Driving counted for each job of a later week; common practice, no source."""


def metrics(
    network: Network,
    days: Mapping[Key, Trace],
    hand: Mapping[Key, Trace] | None = None,
    same: Mapping[Key, Trace] | None = None,
) -> Metrics:
    """Figures of driven days. hand: the by-hand days of the same request, if made; same: the same
    jobs by hand, where they fit in."""
    terms, judge = network.terms, network.terms.worth
    done = {j: at for t in days.values() for j, at in zip(t.jobs, t.starts, strict=True)}
    due = [job for job in terms.jobs if judge.is_due(job)]
    late = {job: judge.late_days(job, at) for job, at in done.items()}
    left = [job for job in due if job not in done]
    spent = sum(cost(network, key, trace) for key, trace in days.items())
    traces = [trace for trace in days.values() if trace.jobs]
    by_hand = {job for trace in (hand or {}).values() for job in trace.jobs}
    return Metrics(
        value=value(network, days),
        cost=round(spent / UNIT, 2),
        km=_km(traces),
        travel_h=_hours(sum(t.travel_s for t in traces)),
        wait_h=_hours(sum(t.wait_s for t in traces)),
        work_h=_hours(sum(terms.jobs[job].duration_s for job in done)),
        rounds=len(traces),
        stops=sum(_arrivals(network, t) for t in traces),
        jobs=len(done),
        due=len(due),
        due_done=sum(job in done for job in due),
        safety_open=sum(terms.jobs[job].safety for job in left),
        pulled_forward=sum(not judge.is_due(job) for job in done),
        late=sum(n > 0 for n in late.values()),
        late_days=sum(late.values()),
        backlog_days=sum(late.values()) + sum(judge.late_days(job, terms.end) for job in left),
        technicians=_technicians(network, days),
        by_hand_value=value(network, hand) if hand is not None else None,
        by_hand_km=_km(hand.values()) if hand is not None else None,
        by_hand_jobs=len(by_hand) if hand is not None else None,
        by_hand_due_done=sum(job in by_hand for job in due) if hand is not None else None,
        by_hand_safety_open=(
            sum(terms.jobs[job].safety for job in due if job not in by_hand)
            if hand is not None
            else None
        ),
        same_by_hand_km=_km(same.values()) if same is not None else None,
    )


def value(network: Network, days: Mapping[Key, Trace]) -> float:
    """Worth of the work done less the cost of the way (money); keeping arrangements not counted."""
    judge = network.terms.worth
    earned = sum(
        judge.with_technician(job, key[0], at)
        for key, trace in days.items()
        for job, at in zip(trace.jobs, trace.starts, strict=True)
    )
    return round((earned - sum(cost(network, k, t) for k, t in days.items())) / UNIT, 2)


def _technicians(network: Network, days: Mapping[Key, Trace]) -> tuple[TechnicianHours, ...]:
    found = []
    for technician in network.terms.technicians:
        mine = [t for key, t in days.items() if key[0] == technician and t.jobs]
        shifts = [s for key, s in network.terms.shifts.items() if key[0] == technician]
        work = sum(network.terms.jobs[job].duration_s for t in mine for job in t.jobs)
        found.append(
            TechnicianHours(
                technician=technician,
                days=len(mine),
                shift_h=_hours(sum(s.end - s.start - s.lunch_s for s in shifts)),
                work_h=_hours(work),
                travel_h=_hours(sum(t.travel_s for t in mine)),
                wait_h=_hours(sum(t.wait_s for t in mine)),
            )
        )
    return tuple(found)


def _arrivals(network: Network, trace: Trace) -> int:
    nodes = [network.at(job) for job in trace.jobs]
    return sum(n == 0 or nodes[n] != nodes[n - 1] for n in range(len(nodes)))


def _km(traces: Iterable[Trace]) -> float:
    return round(sum(trace.metres for trace in traces) / 1000, 1)


def _hours(seconds: int) -> float:
    return round(seconds / 3600, 2)


def load(terms: Terms, planned: set[str], backlog: Iterable[str]) -> tuple[WeekLoad, ...]:
    """Later weeks by hours: what has waited goes into the first week with room, calls for help and
    the longest due first; work due later into the week of its day, on top."""
    after = (date.fromisoformat(terms.days[-1]) + timedelta(days=1)).isoformat()
    shifts: dict[str, list[Shift]] = {}
    for technician in terms.technicians.values():
        for shift in technician.shifts:
            if shift.day >= after:
                shifts.setdefault(_monday(shift.day), []).append(shift)
    weeks = sorted(shifts)
    room = {w: sum(s.end - s.start - s.lunch_s - s.reserve_s for s in shifts[w]) for w in weeks}
    jobs: dict[str, list[str]] = {week: [] for week in weeks}
    need = dict.fromkeys(weeks, 0)
    waiting = [job for job in backlog if job not in planned]
    for job in sorted(waiting, key=lambda name: _pressing(terms, name)):
        needs = _needs(terms, job)
        week_with_room = next((w for w in weeks if need[w] + needs <= room[w]), None)
        if week_with_room is not None:
            jobs[week_with_room].append(job)
            need[week_with_room] += needs
    for job in sorted(terms.jobs):
        due = terms.worth.due_at(job)
        if job in planned or job in waiting or due is None or due < terms.end:
            continue
        week = _monday(local_date(due, terms.request.zone).isoformat())
        if week in need:
            jobs[week].append(job)
            need[week] += _needs(terms, job)
    return tuple(
        WeekLoad(monday=w, shift_h=_hours(room[w]), needed_h=_hours(need[w]), jobs=tuple(jobs[w]))
        for w in weeks
    )


def _pressing(terms: Terms, job: str) -> tuple[bool, bool, int, str]:
    noun, due = terms.jobs[job], terms.worth.due_at(job)
    return not noun.urgent, not noun.safety, terms.end if due is None else due, job


def _monday(day: str) -> str:
    on = date.fromisoformat(day)
    return (on - timedelta(days=on.weekday())).isoformat()


def _needs(terms: Terms, job: str) -> int:
    noun = terms.jobs[job]
    return noun.duration_s + terms.sites[noun.site].access_s + WAY_S
