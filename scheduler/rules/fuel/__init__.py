"""Fuel: how much is left, smoothed, and how long it lasts (docs/engineering/fuel.md)."""

from scheduler.rules.fuel.chart import (
    HALF,
    L_PER_GAL,
    NO_LOAD_SHARE,
    OVERLOAD_SHARE,
    PROPANE_KWH_PER_L,
    Rate,
    Unknown,
    correction,
    diesel_l_per_h,
    rate,
)
from scheduler.rules.fuel.level import (
    REFILL_PCT,
    FuelCarry,
    Knot,
    Refill,
    Usable,
    below_since,
    newest_refill,
    smooth,
    usable,
)
from scheduler.rules.fuel.state import FuelSeen

__all__ = [
    "HALF",
    "L_PER_GAL",
    "NO_LOAD_SHARE",
    "OVERLOAD_SHARE",
    "PROPANE_KWH_PER_L",
    "REFILL_PCT",
    "FuelCarry",
    "FuelSeen",
    "Knot",
    "Rate",
    "Refill",
    "Unknown",
    "Usable",
    "below_since",
    "correction",
    "diesel_l_per_h",
    "newest_refill",
    "rate",
    "smooth",
    "usable",
]
