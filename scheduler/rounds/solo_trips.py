"""What going to a site for one job alone costs at most, whoever of those able to goes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from scheduler.rounds.index import Key, RequestIndex
from scheduler.rounds.money import UNIT, per_metre, per_second
from scheduler.rounds.travel import Estimate

Row = NDArray[np.int64]
"""One number for each technician of the request, in its order."""


class SoloTrips:
    """Out and back between the bases and the sites: by the estimate until a network knows better."""

    def __init__(self, asked: RequestIndex) -> None:
        self.asked = asked
        self._row = {name: n for n, name in enumerate(asked.technicians)}
        self._metres: dict[str, Row] = {}
        self._seconds: dict[str, Row] = {}
        self._alone: dict[str, int] = {}
        self._who: dict[int, tuple[tuple[Key, ...], NDArray[np.intp]]] = {}

    def learn(self, metres: Mapping[str, Row], seconds: Mapping[str, Row]) -> None:
        """Metres and seconds out and back of sites, from the travel source of a plan."""
        self._estimated()
        self._metres |= metres
        self._seconds |= seconds
        self._alone.clear()

    def alone(self, job_id: str) -> int:
        """Money of the dearest way out and back to a job that fits into a shift of somebody able
        to do it, gate, toll and overtime included; 0 where it fits into none."""
        if job_id not in self._alone:
            self._alone[job_id] = self._dearest(job_id)
        return self._alone[job_id]

    def _dearest(self, job_id: str) -> int:
        asked = self.asked
        job = asked.jobs[job_id]
        site, who = asked.sites[job.site], self._able(job_id)
        self._estimated()
        if job.site not in self._seconds or not len(who):
            return 0
        names = list(asked.technicians)
        gate = site.access_s + site.extra_s
        seconds = self._seconds[job.site][who] + gate
        room = np.array([asked.longest(names[n]) for n in who])
        e = asked.economics
        over = np.array([asked.overtime(names[n]) for n in who]) * round(
            e.overtime_hour * UNIT / 3600
        )
        spent = self._metres[job.site][who] * per_metre(e) + seconds * per_second(e) + over
        fits = seconds + job.duration_s <= room
        return int(spent[fits].max()) + round(site.extra_money * UNIT) if fits.any() else 0

    def _able(self, job_id: str) -> NDArray[np.intp]:
        """Rows of those who may do a job; jobs that ask for the same share one answer."""
        keys = self.asked.able(job_id)
        if id(keys) not in self._who:
            rows = sorted({self._row[key[0]] for key in keys})
            self._who[id(keys)] = keys, np.array(rows, np.intp)
        return self._who[id(keys)][1]

    def _estimated(self) -> None:
        if self._seconds:
            return
        sites = [s for s in self.asked.sites.values() if s.lat is not None and s.lon is not None]
        bases = list(self.asked.technicians.values())
        if not sites or not bases:
            return
        metres, seconds = Estimate().from_to(
            np.array([s.lat for s in sites], np.float64),
            np.array([s.lon for s in sites], np.float64),
            np.array([t.lat for t in bases]),
            np.array([t.lon for t in bases]),
        )
        for n, site in enumerate(sites):
            self._metres[site.id] = 2 * metres[n].astype(np.int64)
            self._seconds[site.id] = 2 * seconds[n].astype(np.int64)
