"""Volts and hertz of a set: bands, settled samples, delays, drift, and volts where none belong."""

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

__all__ = [
    "Band", "Delay", "Drift", "Measured", "OutSpell", "Plate", "Quantity", "RunPoint",
    "SupplyCarry", "SupplyDay", "SupplySeen", "Trouble",
]  # fmt: skip
