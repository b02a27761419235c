"""Published numbers of lead-acid start batteries, per 12 V unless a nominal is given.

Open-circuit table: a widely reproduced table crediting BCI, secondary source, flooded cells at
26.7 C after 6 h of rest. Its temperature column is the hydrometer correction in volts, not a
coefficient of the cell, so nothing is corrected for temperature. Load test: several workshop
manuals (half the cold cranking amperes for 15 s); one prints 9.7 V flat, one 8.0 V at -18 C.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fleet.model import Chemistry

OCV = ((11.89, 0.0), (12.06, 25.0), (12.24, 50.0), (12.45, 75.0), (12.65, 100.0))
"""Open-circuit volts, state of charge [%]. Source: a widely reproduced table crediting BCI,
secondary source."""
SEALED_HIGHER_V = 0.15
"""AGM and gel rest so much higher than flooded cells of the same charge. From memory."""
LOAD_TEST = (
    (-18.0, 8.5),
    (-12.0, 8.7),
    (-7.0, 8.9),
    (-1.0, 9.1),
    (4.0, 9.3),
    (10.0, 9.4),
    (16.0, 9.5),
    (20.0, 9.6),
)
"""Temperature [C], least volts at 15 s. Source: several workshop manuals, secondary source."""
COMPENSATION_MV = (3.0, 5.0)
"""A charger gives so much less for each degree above 25 C [mV a cell]. Source: battery makers'
manuals, secondary source."""
AT_C = 25.0
"""The temperature charging volts are named at. Source: battery makers' manuals, secondary
source."""
CELLS = 6
"""Cells of a 12 V lead-acid battery. Definition."""
LOW_V = 13.0
OVER_V = 15.0
"""Under the one it is not charged, over the other over-charged
(docs/engineering/battery.md#on-charge). Common practice, no source."""
CLEAR_V = 0.2
"""Clear limit, back from a limit (docs/engineering/defaults.md#delays). Common practice, no
source."""
REST_S = {"flooded": 6 * 3600, "agm": 12 * 3600, "gel": 12 * 3600, "lfp": 12 * 3600}
"""So long without charge, crank and run is a rest [s]. Source: 6 h with the open-circuit table,
secondary source; the others common practice, no source."""
NO_TABLE: frozenset[Chemistry] = frozenset({"lfp"})
"""Lithium iron phosphate: no table here; its own history only."""
_COLD_C, _WARM_C = -30.0, 50.0
_CHARGE_TO_VOLTS = tuple((charge, volts) for volts, charge in OCV)

Floats = NDArray[np.float64]


def scale(nominal_v: float) -> float:
    """What a value of a 12 V battery is multiplied by: nominal_v / 12, so 2 for 24 V.

    Gives: [1]. Arithmetic.
    """
    return nominal_v / 12.0


def charge_pct(
    volts: float, nominal_v: float = 12.0, chemistry: Chemistry = "flooded"
) -> float | None:
    """State of charge [%] of a rested battery by the table, straight lines between, 0 to 100.

    volts: as read at rest [V]. Never extrapolated, not corrected for temperature. None: no table
    for its chemistry.

    Gives: [%]. Source: open-circuit table crediting BCI, flooded cells at 26.7 C, secondary source;
    AGM and gel from memory.
    """
    if chemistry in NO_TABLE:
        return None
    shift = 0.0 if chemistry == "flooded" else SEALED_HIGHER_V
    return _between(OCV, volts / scale(nominal_v) - shift)


def rested_v(
    charge: float, nominal_v: float = 12.0, chemistry: Chemistry = "flooded"
) -> float | None:
    """The reverse of charge_pct: open-circuit volts of a state of charge [%], straight lines
    between.

    Gives: [V]. Source: open-circuit table crediting BCI, flooded cells at 26.7 C, secondary source;
    AGM and gel from memory.
    """
    if chemistry in NO_TABLE:
        return None
    shift = 0.0 if chemistry == "flooded" else SEALED_HIGHER_V
    return (_between(_CHARGE_TO_VOLTS, charge) + shift) * scale(nominal_v)


def crank_limit_v(temp_c: float | None, nominal_v: float = 12.0) -> float:
    """Least volts while cranking by the load-test table; temp_c None: that of its coldest row,
    which holds at any temperature. Beyond its ends the end's value.

    Gives: [V]. Source: load test of several workshop manuals (half the cold cranking amperes for 15
    s), secondary source.
    """
    at = LOAD_TEST[0][0] if temp_c is None else temp_c
    return _between(LOAD_TEST, at) * scale(nominal_v)


def _between(table: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight lines between the rows of a table, its ends beyond them."""
    if x <= table[0][0]:
        return table[0][1]
    for (x0, y0), (x1, y1) in pairwise(table):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return table[-1][1]


def over_limit_v(temp_c: Floats) -> Floats:
    """Over-charge above this, per 12 V; temp_c NaN where not read: the limit at 0 C.

    15.0 V at 25 C, moved by the end of the published range of compensation that alerts less:
    5 mV a cell and degree in the cold, 3 mV in the heat.

    Gives: [V]. Source: battery makers' range of compensation, 3 to 5 mV a cell and degree,
    secondary source; 15.0 V common practice, no source.
    """
    colder = AT_C - np.clip(np.where(np.isnan(temp_c), 0.0, temp_c), _COLD_C, _WARM_C)
    least, most = (CELLS * mv / 1000 for mv in COMPENSATION_MV)
    return OVER_V + np.where(colder > 0, most, least) * colder
