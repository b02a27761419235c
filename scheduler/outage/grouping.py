"""Which losses of the mains belong together: an area's outage, or one site's own main switch.

At least two sites and (three sets or a quarter of the area) losing it within five minutes. A loss
seen only between two reports is an interval, and "within" means that the intervals can overlap so.
Common practice, no source (docs/engineering/outage.md#which-belong-together).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import numpy as np

from fleet.geo import distance_km
from scheduler.outage.cover import SetNow

WITHIN_S = 300
SITES_LEAST = 2
SETS_LEAST = 3
SHARE_LEAST = 0.25
"""Within so long, at so many sites, of so many sets or such a share of the area. Common practice,
no source."""
NEAR_KM = 15.0
"""Sets without an area are neighbours within this distance. Common practice, no source."""


def lost(held: SetNow) -> bool:
    """Whether it said itself that its mains is gone, and nothing since says otherwise.

    Gives: yes or no. Definition.
    """
    return held.said == "absent" and held.mains.since is not None


def interval(held: SetNow) -> tuple[int, int]:
    """(earliest, latest) moment of the loss, UTC seconds; the same twice where an event told it.

    Gives: [UTC s]. Definition.
    """
    latest = held.mains.since or 0
    earliest = held.mains.since_earliest
    return (latest if earliest is None else earliest), latest


def neighbourhoods(sets: Sequence[SetNow]) -> dict[str, list[SetNow]]:
    """The sets by area; those without one, around one of them that lost its mains, within 15 km.

    Keys are subjects' names: the area's own, else `near SITE`.

    Gives: records by name. Common practice, no source.
    """
    found: dict[str, list[SetNow]] = {}
    nowhere: list[SetNow] = []
    for held in sets:
        if held.area:
            found.setdefault(held.area, []).append(held)
        elif held.lat is not None and held.lon is not None:
            nowhere.append(held)
    centres: list[SetNow] = []
    for held in sorted(nowhere, key=lambda s: (interval(s)[1], s.unit)):
        if lost(held) and not any(near(held, centre) for centre in centres):
            centres.append(held)
    for held in nowhere:
        centre = next((c for c in centres if near(held, c)), None)
        if centre is not None:
            found.setdefault(f"near {centre.site}", []).append(held)
    return found


def near(one: SetNow, other: SetNow) -> bool:
    """Whether two sets with a place stand within 15 km of each other, on a great circle.

    Gives: yes or no. Common practice, no source.
    """
    places = (one.lat, one.lon, other.lat, other.lon)
    if any(place is None for place in places):
        return False
    return distance_km(*(float(place) for place in places if place is not None)) <= NEAR_KM


def together(losses: Sequence[SetNow], sets_of_area: int) -> list[SetNow]:
    """The most losses that can lie within five minutes, if they make an outage; else none.

    At least two sites and, of sets_of_area, three or a quarter; losses are intervals, and any five
    minutes that all of them reach into will do.

    Gives: records. Common practice, no source.
    """
    if len({held.site for held in losses}) < SITES_LEAST:
        return []
    bounds = np.array([interval(held) for held in losses], dtype=np.int64)
    earliest, latest = bounds[:, 0], bounds[:, 1]
    best: np.ndarray | None = None
    for start in np.unique(latest):
        within = (latest >= start) & (earliest <= start + WITHIN_S)
        if best is None or within.sum() > best.sum():
            best = within
    chosen = [
        held for held, taken in zip(losses, best if best is not None else [], strict=True) if taken
    ]
    least = min(SETS_LEAST, max(1, ceil(SHARE_LEAST * sets_of_area)))
    if len({held.site for held in chosen}) < SITES_LEAST or len(chosen) < least:
        return []
    return chosen
