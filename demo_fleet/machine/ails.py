"""What ails one set's battery, charger, alternator, governor or tank, and from when on.

Moments are UTC seconds; FOREVER: never. Volts of a battery are per 12 V.
"""

from __future__ import annotations

from dataclasses import dataclass

FOREVER = 2**40
Growing = tuple[int, float]
"""(from when, how fast a day)."""
NEVER: Growing = (FOREVER, 0.0)


@dataclass(frozen=True)
class Ails:
    """Nothing by default.

    battery_ages: volts lost while cranking, battery_until: until it is replaced. new_battery: from then on it cranks higher by so much.
    cell_failed, charger_lost, over_charged: from then on. draws: how many times the usual the set
    itself draws. cold: (from, to, degrees colder) air at this site.
    hertz_drifts: Hz; volts_drift: share of nominal. hunts: (from, half width [Hz]). heavier: (from,
    times) the customer's load. neutral_open, unbalanced, over_volts, no_output: from then on; leg_dead:
    the winding of the third line.
    standing_volts: volts on the set's side of the transfer gear while it stands and the mains is on.
    fuel_taken: (when, level [%] left); nobody fills it again. legs_apart: share of nominal by which
    the legs of a healthy set differ under uneven load.
    """

    battery_ages: Growing = NEVER
    battery_until: int = FOREVER
    new_battery: tuple[int, float] = NEVER
    cell_failed: int = FOREVER
    charger_lost: int = FOREVER
    over_charged: int = FOREVER
    draws: float = 1.0
    cold: tuple[int, int, float] = (FOREVER, FOREVER, 0.0)
    hertz_drifts: Growing = NEVER
    volts_drift: Growing = NEVER
    hunts: tuple[int, float] = NEVER
    heavier: tuple[int, float] = (FOREVER, 1.0)
    neutral_open: int = FOREVER
    unbalanced: int = FOREVER
    unbalance_share: float = 0.08
    over_volts: int = FOREVER
    no_output: int = FOREVER
    leg_dead: int = FOREVER
    standing_volts: int = FOREVER
    fuel_taken: tuple[int, float] = (FOREVER, 0.0)
    legs_apart: float = 0.0
