"""A pair a kind of finding: a world in which it must speak, and a healthy twin in which it must not.

A world is raw readings, events, records and a register, stated in volts, hertz and minutes. Nothing
is put where a rule would have put it: readings become days, days a verdict, by the real functions.
The twin differs from the example in the one thing that matters.
"""

from __future__ import annotations

from finding_pairs import battery, fleet_wide, reporting, starting, supply, upkeep
from finding_pairs.pair import Pair, example, found

__all__ = ["PAIRS", "Pair", "example", "found"]

PAIRS: tuple[Pair, ...] = (
    *starting.PAIRS,
    *battery.PAIRS,
    *upkeep.PAIRS,
    *supply.PAIRS,
    *reporting.PAIRS,
    *fleet_wide.PAIRS,
)
