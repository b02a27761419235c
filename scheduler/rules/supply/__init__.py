"""Volts and hertz of a set: bands, settled samples, delays, drift, and volts where none belong.

The reasons: docs/engineering/supply.md.
"""

from scheduler.rules.supply.bands import (
    hertz_band,
    hertz_like,
    other_hertz,
    other_nominal,
    volts_band,
    volts_like,
)
from scheduler.rules.supply.circuits import (
    DEAD_SHARE,
    HIGH_SHARE,
    LOW_SHARE,
    STANDING_SHARE,
    good,
    standing_share,
    uneven,
)
from scheduler.rules.supply.connection import connection
from scheduler.rules.supply.day import CHANNELS
from scheduler.rules.supply.day import Day as WatchedDay
from scheduler.rules.supply.drift import Point, alike, drift
from scheduler.rules.supply.leads import by_circuit, lead_of, on_bus
from scheduler.rules.supply.legs import UNBALANCE_PCT
from scheduler.rules.supply.nominal import NEAR, TO_NEUTRAL, mains_nominal, nominals, variants_of
from scheduler.rules.supply.settled import no_load_kw
from scheduler.rules.supply.supply_record import (
    Band,
    Circuit,
    Connection,
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
from scheduler.rules.supply.watch import watch

__all__ = [
    "CHANNELS",
    "DEAD_SHARE",
    "HIGH_SHARE",
    "LOW_SHARE",
    "NEAR",
    "STANDING_SHARE",
    "TO_NEUTRAL",
    "UNBALANCE_PCT",
    "Band",
    "Circuit",
    "Connection",
    "Delay",
    "Drift",
    "Measured",
    "OutSpell",
    "Plate",
    "Point",
    "Quantity",
    "RunPoint",
    "SupplyCarry",
    "SupplyDay",
    "SupplySeen",
    "Trouble",
    "WatchedDay",
    "alike",
    "by_circuit",
    "connection",
    "drift",
    "good",
    "hertz_band",
    "hertz_like",
    "lead_of",
    "mains_nominal",
    "no_load_kw",
    "nominals",
    "on_bus",
    "other_hertz",
    "other_nominal",
    "standing_share",
    "uneven",
    "variants_of",
    "volts_band",
    "volts_like",
    "watch",
]
