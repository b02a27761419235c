"""What is compared against: a naive set of alert rules, as one might write them in an afternoon.

A limit each, on every reading as it comes: no delay, no deadband, no learning, no grouping, nobody
who waits for the morning. Each crossing sends a message, and so does each return.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from truth import Cast, Heard

Values = dict[str, NDArray[np.float64]]
Rule = Callable[[Values, float], NDArray[np.bool_]]


def _below(channel: str, limit: float) -> Rule:
    def rule(values: Values, nominal_v: float) -> NDArray[np.bool_]:
        return values[channel] < limit

    return rule


def _volts(values: Values, nominal_v: float) -> NDArray[np.bool_]:
    volts = values["ac_v"]
    return (volts > 0.1 * nominal_v) & (np.abs(volts - nominal_v) > 0.1 * nominal_v)


LIMITS: dict[str, tuple[str, Rule]] = {
    "battery under 12.4 V": ("battery_v", _below("battery_v", 12.4)),
    "lowest volts at the start under 9.6 V": ("crank_min_v", _below("crank_min_v", 9.6)),
    "fuel under 25 %": ("fuel_pct", _below("fuel_pct", 25.0)),
    "not in auto": ("in_auto", _below("in_auto", 0.5)),
    "volts out of 10 %": ("ac_v", _volts),
    "no mains": ("mains_v", lambda v, nominal: v["mains_v"] < nominal / 2),
}
LATE = 1.5
"""A report that is late by half its habit is a message, its coming another."""


def messages(c: Cast, got: Heard, nominal_v: float) -> int:
    """How many messages the naive rules would have sent about one set."""
    count = sum(e.event == "failed_to_start" for e in got.events)
    for channel, rule in LIMITS.values():
        values = got.values.get(channel)
        if values is None:
            continue
        seen = ~np.isnan(values)
        beyond = rule({channel: values[seen]}, nominal_v)
        count += int(np.count_nonzero(np.diff(beyond.astype(np.int8))))
    gaps = np.diff(got.t)
    return count + 2 * int(np.count_nonzero(gaps > LATE * max(c.s.habit.standing_s, 60)))
