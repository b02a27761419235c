"""Volts and hertz of a set: bands, settled samples, delays, drift, and volts where none belong."""

from scheduler.rules.supply.bands import hertz_band, hertz_like, volts_band, volts_like
from scheduler.rules.supply.terms import (
    Band,
    Delay,
    Drift,
    Measured,
    OutSpell,
    Plate,
    Quantity,
    RunPoint,
    SupplyCarry,
    SupplyDay,
    SupplySeen,
    Trouble,
)
from scheduler.rules.supply.watch import CHANNELS, watch
from scheduler.rules.supply.watch import Day as WatchedDay

__all__ = [
    "CHANNELS", "Band", "Delay", "Drift", "Measured", "OutSpell", "Plate", "Quantity", "RunPoint",
    "SupplyCarry", "SupplyDay", "SupplySeen", "Trouble", "WatchedDay", "hertz_band", "hertz_like",
    "volts_band", "volts_like", "watch",
]  # fmt: skip
