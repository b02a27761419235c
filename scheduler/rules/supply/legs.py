"""Circuits compared with each other: legs of a split-phase set, lines of a three-phase one."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fleet.model import Series
from scheduler.rules.supply.points import unbalance_pct

LEG_HIGH = 1.10
LEG_LOW = 0.90
"""One leg over 110 % of nominal while the other is under 90 %: the neutral is open
(docs/engineering/supply.md#open-neutral). Common practice, no source."""
UNBALANCE_PCT = 3.0
"""Next visit from here on: the most ANSI C84.1 allows a supply at no load (its annex). NEMA MG 1
derates motors from 1 % on, and says not to run them above 5 %. Source: ANSI C84.1-2020, secondary
source."""

Floats = NDArray[np.float64]


def apart(high: Floats, low: Floats) -> Floats:
    """How far two legs have moved apart, above 1 where one is over and the other under its limit.

    min((high - 1) / 0.10, (1 - low) / 0.10); high, low: the legs as shares of their own nominal.
    The smaller of the two legs' parts, so that uneven load with healthy legs stays under 1. NaN
    where a leg was not read.

    Gives: [1]. Common practice, no source.
    """
    found: Floats = np.minimum((high - 1) / (LEG_HIGH - 1), (1 - low) / (1 - LEG_LOW))
    return found


def line_unbalance(series: Mapping[str, Series]) -> tuple[NDArray[np.int64], Floats]:
    """(times, unbalance [%]) of the seconds at which all three lines were read line to line.

    Gives: moments [UTC s] and unbalance [%]. Source: NEMA MG 1, as `points.unbalance_pct`.
    """
    found = [series.get(name) for name in ("ac_l12_v", "ac_l23_v", "ac_l31_v")]
    a, b, c = found
    if a is None or b is None or c is None or not (len(a) and len(b) and len(c)):
        return np.empty(0, np.int64), np.empty(0, np.float64)
    t = np.intersect1d(np.intersect1d(a.t, b.t), c.t)
    one, two, three = (x.v[np.searchsorted(x.t, t)] for x in (a, b, c))
    live = np.minimum(np.minimum(one, two), three) > 0
    return t[live], unbalance_pct(one[live], two[live], three[live])
