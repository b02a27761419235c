"""Which values a set of this nominal and rating can give; others are doubted, and no rule sees them.

A sentinel of a device, a stray scale, a sum of another set's: none of these may open an alert or
close one. What a fault can really do to a set is never among them: it is what must be seen.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from fleet.channels import AC_VOLTS, BATTERY_VOLTS, CHANNELS
from fleet.model import Series
from scheduler.rules import supply
from scheduler.rules.supply import Plate

AC_MOST = 3.0
"""AC volts up to three times the highest nominal of any circuit the set may have: a regulator that
forces its full field gives about twice. Common practice, no source."""
BATTERY_MOST = 5.0
"""Battery volts up to five times nominal: a set of 48 V that is registered as one of 12 V must show.
Common practice, no source."""
BATTERY_LEAST = 1.0 / 6.0
"""Battery volts from a sixth of nominal on; cranking may pull them lower than a rest does. Common
practice, no source."""
LOAD_MOST = 3.0
"""Real power up to three times the rating. Common practice, no source: an engine stalls long before."""
CURRENT_MOST = 10.0
"""Current up to ten times that of the rating, which the first cycles of a short circuit come to.
Common practice, no source."""
POWER_FACTOR = 0.8
"""The power factor sets are rated at. Source: ISO 8528-1, from memory."""


def believed(channel: str, one: Series, plate: Plate | None, battery_v: float) -> Series:
    """The readings of a channel that a set of this plate and battery nominal [V] can give.

    Gives: readings in the channel's unit. Common practice, no source.
    """
    if not len(one):
        return one
    low, high = span(channel, plate, battery_v)
    if one.v.min() >= low and one.v.max() <= high and math.isfinite(one.v.sum()):
        return one
    keep = np.isfinite(one.v) & (one.v >= low) & (one.v <= high)
    return Series(one.t[keep], one.v[keep])


@lru_cache(maxsize=4096)
def span(channel: str, plate: Plate | None, battery_v: float) -> tuple[float, float]:
    """(least, most) that is believed of a channel; where neither nominal nor rating say more, what
    the glossary has for it.

    Gives: values in the channel's unit. Common practice, no source.
    """
    low, high = CHANNELS[channel].plausible if channel in CHANNELS else (-np.inf, np.inf)
    if channel in BATTERY_VOLTS:
        least = 0.0 if channel == "charge_v" else BATTERY_LEAST * battery_v
        return max(low, least), min(high, BATTERY_MOST * battery_v)
    if plate is None:
        return low, high
    if channel in AC_VOLTS:
        return low, min(high, AC_MOST * _highest_v(plate))
    if channel == "load_kw" and plate.rated_kw:
        return low, min(high, LOAD_MOST * plate.rated_kw)
    if channel == "current_a" and plate.rated_kw:
        lowest = min(v for variant in _circuits(plate) for v in variant.values())
        rated_a = plate.rated_kw * 1000 / POWER_FACTOR / lowest
        return low, min(high, CURRENT_MOST * rated_a)
    return low, high


def _circuits(plate: Plate) -> list[dict[str, float]]:
    return [{"ac_v": plate.nominal_v}, *supply.variants_of(plate).values()]


def _highest_v(plate: Plate) -> float:
    return max(v for variant in _circuits(plate) for v in variant.values())
