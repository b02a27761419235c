"""What is compared against: a naive set of alert rules, as one might write them in an afternoon.

A limit each, on every reading as it comes: no delay, no deadband, no learning, no grouping, nobody
who waits for the morning. Each crossing sends a message, and so does each return.
"""

from __future__ import annotations

from collections import Counter
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


def _hertz(values: Values, nominal_v: float) -> NDArray[np.bool_]:
    hertz = values["frequency_hz"]
    if not (hertz > 5.0).any():
        return np.zeros(len(hertz), bool)
    nominal = 50.0 if np.nanmedian(hertz[hertz > 5.0]) < 55.0 else 60.0
    return (hertz > 5.0) & (np.abs(hertz - nominal) > 0.02 * nominal)


LIMITS: dict[str, tuple[str, Rule]] = {
    "battery under 12.4 V": ("battery_v", _below("battery_v", 12.4)),
    "lowest volts at the start under 9.6 V": ("crank_min_v", _below("crank_min_v", 9.6)),
    "fuel under 25 %": ("fuel_pct", _below("fuel_pct", 25.0)),
    "not in auto": ("in_auto", _below("in_auto", 0.5)),
    "volts out of 10 %": ("ac_v", _volts),
    "hertz out of 2 %": ("frequency_hz", _hertz),
    "no mains": ("mains_v", lambda v, nominal: v["mains_v"] < nominal / 2),
}
LATE = 1.5
"""A report that is late by half its time at rest is a message, its coming another. Nobody told the
naive rules of sets that report on change only: those make most of what this rule sends."""


def messages(c: Cast, got: Heard, nominal_v: float) -> Counter[str]:
    """How many messages each of the naive rules would have sent about one set."""
    count = Counter({"failed start": sum(e.event == "failed_to_start" for e in got.events)})
    for name, (channel, rule) in LIMITS.items():
        values = got.values.get(channel)
        if values is None:
            continue
        seen = ~np.isnan(values)
        beyond = rule({channel: values[seen]}, nominal_v)
        count[name] = int(np.count_nonzero(np.diff(beyond.astype(np.int8))))
    gaps = np.diff(got.t)
    count["late"] = 2 * int(np.count_nonzero(gaps > LATE * max(c.s.habit.standing_s, 60)))
    return count
