"""The terms of a request with the distances between some of its sites."""

from __future__ import annotations

from typing import Any

import numpy as np

from scheduler.rounds.index import Key
from scheduler.rounds.model import Distances
from scheduler.rounds.money import UNIT, money, per_metre, per_second
from scheduler.rounds.travel import Degrees
from scheduler.rounds.value import Terms


class Network:
    """Terms with the distances between the bases and some of the sites."""

    def __init__(self, terms: Terms, sites: tuple[str, ...], distances: Distances) -> None:
        self.terms, self.sites, self.distances = terms, sites, distances
        bases = tuple(terms.technicians)
        self.base = {technician: n for n, technician in enumerate(bases)}
        self.node = {site: n + len(bases) for n, site in enumerate(sites)}
        self.metres = distances.metres
        self.seconds = distances.seconds
        self.m: Any = memoryview(self.metres)  # type: ignore[arg-type]
        self.s: Any = memoryview(self.seconds)  # type: ignore[arg-type]
        places = [terms.sites[site] for site in sites]
        self.access = [0] * len(bases) + [p.access_s + p.extra_s for p in places]
        self.toll = [0] * len(bases) + [money(p.extra_money) for p in places]
        self.per_m, self.per_s = per_metre(terms.economics), per_second(terms.economics)
        self._tell_ways()
        self.overtime_s = round(terms.economics.overtime_hour * UNIT / 3600)
        self._at = {
            job.id: self.node[job.site] for job in terms.jobs.values() if job.site in self.node
        }

    def _tell_ways(self) -> None:
        """The ways out and back, for what work is worth at least."""
        n = len(self.base)
        metres, seconds = (
            a[:n, n:].T.astype(np.int64) + a[n:, :n] for a in (self.metres, self.seconds)
        )
        self.terms.solo.learn(
            dict(zip(self.sites, metres, strict=True)), dict(zip(self.sites, seconds, strict=True))
        )

    def at(self, job_id: str) -> int:
        """Node of a job's site."""
        return self._at[job_id]

    def has(self, job_id: str) -> bool:
        return job_id in self._at

    def leaves_from(self, key: Key) -> int:
        """Node where the technician-day begins."""
        start_site = self.terms.shifts[key].start_site
        return self.node[start_site] if start_site else self.base[key[0]]


def places(terms: Terms, sites: tuple[str, ...]) -> tuple[Degrees, Degrees]:
    """Latitudes and longitudes of the bases, then of the sites."""
    spots = [(t.lat, t.lon) for t in terms.technicians.values()]
    spots += [(terms.sites[s].lat or 0.0, terms.sites[s].lon or 0.0) for s in sites]
    pairs = np.array(spots, np.float64).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]
