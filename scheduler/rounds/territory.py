"""Many candidates cut into groups of technicians, balanced by hours; few technicians, best first.

Nearest-base groups alone left a sixth of the days idle (docs/engineering/rounds.md#territories):
jobs at a border go to the group with more room.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from scheduler.rounds.money import UNIT
from scheduler.rounds.travel import Estimate
from scheduler.rounds.value import Terms

Table = NDArray[np.float64]
WHOLE = 1000
"""So many candidates are searched in one piece; more are cut, for memory and neighbour lists. A
bound of ours."""
GROUP = 4
"""Technicians of a territory, at most. A bound of ours."""
WAY_S = 1500
"""Driving counted for each job when hours are compared; common practice, no source."""
EVEN = 1.10
"""A group may be so many times as loaded as the mean. Common practice, no source."""


class Territory(msgspec.Struct, frozen=True):
    """Technicians and the jobs looked at for them."""

    technicians: tuple[str, ...]
    jobs: tuple[str, ...]


def territories(terms: Terms, jobs: Sequence[str]) -> tuple[Territory, ...]:
    """One territory up to `WHOLE` candidates; else groups of neighbours, each capped at it."""
    names = tuple(terms.technicians)
    if len(jobs) <= WHOLE:
        return (Territory(names, tuple(jobs)),)
    groups = _split(terms, list(names))
    near = _nearest(terms, groups, jobs)
    mine = _balanced(terms, groups, jobs, near)
    return tuple(
        Territory(
            tuple(group),
            best_first(terms, group, [j for j, m in zip(jobs, mine, strict=True) if m == g]),
        )
        for g, group in enumerate(groups)
    )


def _split(terms: Terms, names: list[str]) -> list[list[str]]:
    """Halve along the longer side until no group is larger than `GROUP`."""
    if len(names) <= GROUP:
        return [names]
    at = np.array([(terms.technicians[n].lat, terms.technicians[n].lon) for n in names])
    wide = at.max(axis=0) - at.min(axis=0)
    axis = int(wide[1] * np.cos(np.radians(at[:, 0].mean())) > wide[0])
    order = sorted(range(len(names)), key=lambda n: (at[n, axis], names[n]))
    half = len(names) // 2
    return _split(terms, [names[n] for n in order[:half]]) + _split(
        terms, [names[n] for n in order[half:]]
    )


def _nearest(terms: Terms, groups: list[list[str]], jobs: Sequence[str]) -> Table:
    """Seconds from each group's nearest base that may do it to each job: groups x jobs."""
    lat = np.array([terms.sites[terms.jobs[j].site].lat for j in jobs], np.float64)
    lon = np.array([terms.sites[terms.jobs[j].site].lon for j in jobs], np.float64)
    bases = list(terms.technicians.values())
    at = np.array([(t.lat, t.lon) for t in bases], np.float64)
    seconds = Estimate().from_to(at[:, 0], at[:, 1], lat, lon)[1].astype(np.float64)
    row = {t.id: n for n, t in enumerate(bases)}
    for n, job in enumerate(jobs):
        may = {key[0] for key in terms.able(job)}
        seconds[[row[t.id] for t in bases if t.id not in may], n] = np.inf
    return np.array([seconds[[row[name] for name in group]].min(axis=0) for group in groups])


def _balanced(
    terms: Terms, groups: list[list[str]], jobs: Sequence[str], near: Table
) -> NDArray[np.intp]:
    """The group of each job: the nearest, then due work moved from full groups to emptier ones."""
    due = np.array([terms.worth.is_due(job) for job in jobs])
    needs = np.array([terms.jobs[job].duration_s + WAY_S for job in jobs]) * due
    has = np.array(
        [
            max(1, sum(s.end - s.start for k, s in terms.shifts.items() if k[0] in group))
            for group in groups
        ]
    )
    mine: NDArray[np.intp] = near.argmin(axis=0)
    columns = np.arange(len(jobs))
    for _ in range(len(jobs)):
        share = np.array([needs[mine == g].sum() for g in range(len(groups))]) / has
        full = int(share.argmax())
        if share[full] <= EVEN * share.mean():
            break
        extra = near - near[mine, columns]
        extra[share >= share.mean()] = np.inf
        extra[:, (mine != full) | ~due] = np.inf
        to, job = np.unravel_index(int(extra.argmin()), extra.shape)
        if not np.isfinite(extra[to, job]):
            break
        mine[job] = to
    return mine


def best_first(terms: Terms, group: Sequence[str], jobs: Sequence[str]) -> tuple[str, ...]:
    """At most `WHOLE` jobs: arrangements first, then calls for help and what has waited, however
    far, then by worth for the time they take."""
    if len(jobs) <= WHOLE:
        return tuple(jobs)
    near = _nearest(terms, [list(group)], jobs)[0]

    def rank(n: int) -> tuple[bool, bool, float, str]:
        job, judge = terms.jobs[jobs[n]], terms.worth
        worth = max(judge.at(job.id, terms.earliest), judge.at(job.id, terms.end - 1))
        time_s = job.duration_s + near[n] / 2 + WAY_S
        fresh = not job.urgent and judge.late_days(job.id, judge.first(job.id)) == 0
        return job.id not in terms.pins, fresh, -worth / UNIT / time_s, job.id

    return tuple(jobs[n] for n in sorted(range(len(jobs)), key=rank)[:WHOLE])


def sites_of(view_terms: Terms, jobs: Sequence[str]) -> tuple[str, ...]:
    """Sites a network needs for some jobs: theirs, and where technicians are in mid-day."""
    wanted = {view_terms.jobs[job].site for job in jobs}
    wanted |= {s.start_site for s in view_terms.shifts.values() if s.start_site}
    return tuple(site for site in view_terms.sites if site in wanted)
