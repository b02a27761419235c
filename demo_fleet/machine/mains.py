"""When the mains fails: one calendar an area, shared by its sites, and each site's own faults."""

from __future__ import annotations

import numpy as np

from demo_fleet.machine.noise import Ints, one, uniform

DAY_S = 86_400
AREA_PER_DAY = 0.018
"""Outages of an area a day, in summer; common practice, no source: half a dozen a year."""
WINTER_SHARE = 1.0
SITE_PER_DAY = 0.004
APART_S = 2 * 3600
"""No outage begins sooner than this after the one before it ended."""
SHORTEST_S = 150
LONGEST_S = 7 * 3600
REACHES = 0.7
"""Share of an area's sites that one of its outages reaches."""

Spans = list[tuple[int, int]]


def area_outages(seed: int, first_day: int, last_day: int, planted: Spans) -> Spans:
    """Outages [(lost, back), ...] of an area for the UTC days first_day..last_day, in time order.

    planted outages are kept as they are; a chance one nearer than APART_S to them falls away.
    """
    days = np.arange(first_day, last_day + 1, dtype=np.int64)
    season = 0.5 + 0.5 * np.cos(2 * np.pi * (days % 365.25 - 15) / 365.25)
    return _apart(_drawn(seed, days, AREA_PER_DAY * (1 + WINTER_SHARE * season)), planted)


def site_outages(seed: int, first_day: int, last_day: int, area: Spans, sure: Spans) -> Spans:
    """Outages of one site: those of its area that reach it, and its own main switch now and then.

    sure: outages of the area that reach every site.
    """
    days = np.arange(first_day, last_day + 1, dtype=np.int64)
    own = _drawn(seed, days, np.full(len(days), SITE_PER_DAY))
    reached = [span for span in area if span in sure or one(seed, 14, span[0]) < REACHES]
    return _apart(own, reached)


def _drawn(seed: int, days: Ints, chance: np.ndarray) -> Spans:
    hit = np.flatnonzero(uniform(seed, 10, days) < chance)
    start = days[hit] * DAY_S + (uniform(seed, 11, days[hit]) * DAY_S).astype(np.int64)
    spread = uniform(seed, 12, days[hit]) + uniform(seed, 13, days[hit]) - 1.0
    length = np.clip(40 * 60 * np.exp(2.0 * spread), SHORTEST_S, LONGEST_S).astype(np.int64)
    return [(int(a), int(a + n)) for a, n in zip(start, length, strict=True)]


def _apart(drawn: Spans, kept: Spans) -> Spans:
    """kept, and of drawn what stays clear of kept and of what was drawn before it."""
    spans = sorted(kept)
    result: Spans = []
    for span in sorted(drawn):
        near = [k for k in spans if span[0] < k[1] + APART_S and k[0] < span[1] + APART_S]
        if not near and (not result or span[0] > result[-1][1] + APART_S):
            result.append(span)
    return sorted(result + spans)
