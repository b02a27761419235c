"""How much fuel a set burns at a load, from its nameplate.

Diesel: a widely reproduced chart in US gallons per hour at a quarter, half, three quarters and
full load; no agency original was found. Its 20 kW row is better than the rows of 30 and 40 kW, so
between 20 and 40 kW nothing is interpolated. Gas: energy content over 20 to 28 % electrical
efficiency. Corrected by what the unit's own refuels say.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from typing import Literal

import msgspec

from fleet.model import Fuel

L_PER_GAL = 3.785411784
"""US liquid gallon, exact. Definition."""
BTU_PER_KWH = 3412.0
"""British thermal units in a kilowatt hour, rounded. Arithmetic."""
PROPANE_KWH_PER_L = 91_452 / BTU_PER_KWH / L_PER_GAL
"""7.08 kWh/L of liquid. Source: EIA figures, reproduced."""
EFFICIENCY = (0.20, 0.28)
"""Electrical efficiency of gaseous sets. Source: derived from published consumptions
(docs/engineering/fuel.md#consumption)."""

DIESEL_GAL_PER_H: tuple[tuple[float, float, float, float, float], ...] = (
    (20, 0.6, 0.9, 1.3, 1.6),
    (30, 1.3, 1.8, 2.4, 2.9),
    (40, 1.6, 2.3, 3.2, 4.0),
    (60, 1.8, 2.9, 3.8, 4.8),
    (75, 2.4, 3.4, 4.6, 6.4),
    (100, 2.6, 4.1, 5.8, 7.4),
    (125, 3.1, 5.0, 7.1, 9.1),
    (135, 3.3, 5.4, 7.6, 9.8),
    (150, 3.6, 5.9, 8.4, 10.9),
    (175, 4.1, 6.8, 9.7, 12.7),
    (200, 4.7, 7.7, 11.0, 14.4),
    (230, 5.3, 8.8, 12.5, 16.6),
    (250, 5.7, 9.5, 13.6, 18.0),
    (300, 6.8, 11.3, 16.1, 21.5),
    (350, 7.9, 13.1, 18.7, 25.1),
    (400, 8.9, 14.9, 21.3, 28.6),
    (500, 11.0, 18.5, 26.4, 35.7),
)
"""kW, US gal/h at 1/4, 1/2, 3/4 and full load. The metric copy has misprints; not used. Source: a
widely reproduced chart, no agency original found."""
NOT_BETWEEN = (20.0, 40.0)
"""No interpolation between these ratings [kW]: the hungrier row is taken. Source: the chart itself,
whose 20 kW row is better than the next two."""
NO_LOAD_SHARE = 0.03
"""Under 3 % of the rating nothing is carried, and no consumption can be named. Common practice, no
source."""
OVERLOAD_SHARE = 1.1
"""Loads above this share of the rating are doubted. Common practice, no source."""
HALF = 0.5
"""The load a standing set is reckoned at. Common practice, no source."""
CORRECTED_FROM_H = 5.0
CORRECTION = (0.5, 2.0)
"""Own refuels correct the chart from 5 h of running on, between half and double.
Common practice, no source."""


class Rate(msgspec.Struct, frozen=True, kw_only=True):
    """Consumption at a load: litres an hour, and by what. low, high: its range where it has one.

    at_most: the load is under a quarter, where the chart says nothing: its quarter-load figure.
    """

    l_per_h: float
    by: Literal["chart", "energy"]
    low_l_per_h: float
    high_l_per_h: float
    at_most: bool = False


class Unknown(msgspec.Struct, frozen=True, kw_only=True):
    """No consumption can be named; reason in words."""

    reason: str


def rate(fuel: Fuel | None, rated_kw: float | None, load_share: float) -> Rate | Unknown:
    """Litres an hour at a share of the rated power (0 to 1.1), or why it cannot be named.

    Diesel: the chart, under a quarter load its quarter-load figure as an upper bound. Propane: kW /
    (efficiency x 7.08 kWh/L) at 28 and at 20 %, of which the greater is told.

    Gives: a record in litres an hour [L/h], or words. Source: diesel a widely reproduced chart, no
    agency original found; propane EIA energy content, efficiency derived from published
    consumptions.
    """
    if not NO_LOAD_SHARE <= load_share <= OVERLOAD_SHARE:
        return Unknown(reason="no load to reckon with")
    if rated_kw is None or rated_kw <= 0:
        return Unknown(reason="the register names no rating")
    if fuel == "diesel":
        return _diesel(rated_kw, load_share)
    if fuel == "lpg":
        kw = rated_kw * load_share
        low, high = (kw / (share * PROPANE_KWH_PER_L) for share in reversed(EFFICIENCY))
        return Rate(l_per_h=high, by="energy", low_l_per_h=low, high_l_per_h=high)
    named = {"natural_gas": "it burns mains gas", "dual": "it burns one of two fuels"}
    return Unknown(reason=named.get(fuel or "", "no chart for its fuel"))


def _diesel(rated_kw: float, load_share: float) -> Rate | Unknown:
    litres = diesel_l_per_h(rated_kw, max(load_share, 0.25))
    if litres is None:
        return Unknown(reason="its rating is outside the chart, 20 to 500 kW")
    return Rate(
        l_per_h=litres,
        by="chart",
        low_l_per_h=litres,
        high_l_per_h=litres,
        at_most=load_share < 0.25,
    )


def diesel_l_per_h(rated_kw: float, load_share: float) -> float | None:
    """Litres an hour of a diesel set by the chart, load 0.25 to 1.1; None outside 20 to 500 kW.

    Straight lines between the four loads and, but for 20 to 40 kW, between the ratings; above
    full load in proportion.

    Gives: [L/h]. Source: a widely reproduced chart, no agency original found.
    """
    ratings = [row[0] for row in DIESEL_GAL_PER_H]
    if not ratings[0] <= rated_kw <= ratings[-1]:
        return None
    above = bisect_left(ratings, rated_kw)
    row = DIESEL_GAL_PER_H[above]
    if rated_kw == row[0] or NOT_BETWEEN[0] < rated_kw < NOT_BETWEEN[1]:
        return _at_load(row, load_share) * L_PER_GAL
    below = DIESEL_GAL_PER_H[above - 1]
    share = (rated_kw - below[0]) / (row[0] - below[0])
    gal = (1 - share) * _at_load(below, load_share) + share * _at_load(row, load_share)
    return gal * L_PER_GAL


def _at_load(row: tuple[float, float, float, float, float], load_share: float) -> float:
    quarters = load_share * 4
    if quarters >= 4:
        return row[4] * load_share
    step = min(3, max(1, int(quarters)))
    return row[step] + (quarters - step) * (row[step + 1] - row[step])


def correction(refuels: Iterable[tuple[float, float, float]]) -> float | None:
    """What the unit's own refuels say of the chart: litres burnt over litres reckoned, summed.

    refuels: (litres burnt between two refuels, litres the chart reckons for the runs between, hours
    run). None: too little was run to tell. Held between half and double.

    Gives: [1]. Common practice, no source.
    """
    found = [(burnt, reckoned, ran) for burnt, reckoned, ran in refuels if burnt > 0 < reckoned]
    if sum(ran for _, _, ran in found) < CORRECTED_FROM_H:
        return None
    factor = sum(burnt for burnt, _, _ in found) / sum(reckoned for _, reckoned, _ in found)
    return min(CORRECTION[1], max(CORRECTION[0], factor))
