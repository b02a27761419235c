"""The mains at a set's own site: is it there, since when, and what outages there were.

The mains is absent below half of nominal (docs/engineering/mains.md#absent-and-back) and there
again 2 % of that limit above it (docs/engineering/defaults.md#delays), or as a `mains_lost` or
`mains_back` event says. A change seen only between two readings is an interval: it came in
(earliest, latest]. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.defaults import LIMIT_CLEAR_SHARE, LIMIT_ON_S
from fleet.findings.mains import MainsLost
from fleet.model import Evidence, Finding, MainsNow, Run

ABSENT_SHARE = 0.5
"""Absent below half of nominal. Common practice, no source."""
BACK_SHARE = ABSENT_SHARE * (1 + LIMIT_CLEAR_SHARE)
"""There again from 51 % of nominal on: a voltage at the limit does not flicker. Common practice, no
source."""

Edge = tuple[Literal["lost", "back"], int, int]
"""(what, earliest, latest): the change came in (earliest, latest], UTC seconds."""


class Outage(msgspec.Struct, frozen=True, kw_only=True):
    """An absence of the mains at one site, UTC seconds.

    It began in (lost_earliest, lost] (lost_earliest None: never seen present before) and ended in
    (back_earliest, back]; back None: it goes on, or nothing was heard since.
    """

    lost: int
    lost_earliest: int | None = None
    back: int | None = None
    back_earliest: int | None = None


def present(
    v: NDArray[np.float64], nominal_v: float, before: bool | None = None
) -> NDArray[np.bool_]:
    """Whether the mains is there at each reading [V], with hysteresis.

    v: volts in time order, no NaN; before: the state before the first (None: not known, then a
    value between the limits counts as there).

    Gives: yes or no for each reading. Common practice, no source.
    """
    lost, back = v < ABSENT_SHARE * nominal_v, v >= BACK_SHARE * nominal_v
    place = np.where(lost | back, np.arange(len(v)), -1)
    place = np.maximum.accumulate(place) if len(v) else place
    first = True if before is None else before
    return np.where(place >= 0, back[place], first) if len(v) else np.empty(0, np.bool_)


def outages(edges: Iterable[Edge], going_on: MainsNow | None = None) -> tuple[Outage, ...]:
    """Outages out of edges in time order; going_on: what is known now, for one without an edge.

    Two losses in a row are one outage from the first on; a return without a loss seen ends nothing.

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    found: list[Outage] = []
    for kind, earliest, latest in edges:
        open_one = found[-1] if found and found[-1].back is None else None
        if kind == "lost" and open_one is None:
            found.append(Outage(lost=latest, lost_earliest=earliest))
        elif kind == "back" and open_one is not None:
            found[-1] = msgspec.structs.replace(open_one, back=latest, back_earliest=earliest)
    ends = found[-1].back is not None if found else True
    if going_on is not None and going_on.last == "absent" and ends and going_on.since is not None:
        found.append(Outage(lost=going_on.since, lost_earliest=going_on.since_earliest))
    return tuple(found)


def covered_s(outage: Outage, runs: Iterable[Run], until: int) -> tuple[int, int]:
    """(seconds with the engine running, seconds without) of an outage, up to `until`.

    From when it was first seen to when the mains was seen back; a run still going counts to
    `until`. Runs must not overlap each other.

    Gives: [s]. Arithmetic.
    """
    end = until if outage.back is None else min(outage.back, until)
    whole = max(0, end - outage.lost)
    ran = sum(
        max(0, min(until if run.end is None else run.end, end) - max(run.start, outage.lost))
        for run in runs
    )
    return min(ran, whole), whole - min(ran, whole)


def finding(mains: MainsNow, now: int, volts: float | None, nominal_v: float) -> Finding | None:
    """Note: the mains is absent here, for 60 s and by a second sample, or as an event said.

    The state itself (`MainsNow`) changes with the first report; only the finding waits. volts: the
    newest reading [V], None: not read.

    Gives: a record in volts [V], or none. Common practice, no source.
    """
    if mains.state != "absent" or mains.since is None or mains.at is None:
        return None
    told = mains.since_earliest == mains.since
    if not told and mains.at - mains.since < LIMIT_ON_S:
        return None
    return Finding(
        severity="note",
        since=mains.since,
        facts=MainsLost(
            since=mains.since,
            earliest_at=mains.since_earliest,
            mains_v=None if volts is None or told else round(volts, 1),
            nominal_v=nominal_v,
        ),
        evidence=Evidence(
            channels=("mains_v",),
            from_at=mains.since_earliest,
            to_at=mains.at,
            oldest_s=max(0, now - mains.at),
        ),
    )
