"""The ITI (CBEMA) curve: how long equipment stands volts that are too many or too few.

It is drawn for equipment of 120 V at 60 Hz, in shares of nominal, and is used here for every nominal.
"""

from __future__ import annotations

import math

OVER = ((0.001, 2.0), (0.003, 1.4), (0.5, 1.2), (math.inf, 1.1))
"""(until how long [s], the most of nominal). Source: ITI (CBEMA) curve, Information Technology
Industry Council, 2000, secondary source."""
UNDER = ((0.02, 0.0), (0.5, 0.7), (10.0, 0.8), (math.inf, 0.9))
"""(until how long [s], the least of nominal). Source: ITI (CBEMA) curve, 2000, secondary source."""


def most(lasts_s: float) -> float:
    """The most of nominal that equipment stands for so long [s], as a share of it.

    Gives: [1]. Source: ITI (CBEMA) curve, 2000, secondary source.
    """
    return next(share for until, share in OVER if lasts_s <= until)


def least(lasts_s: float) -> float:
    """The least of nominal that equipment runs on through so long a sag [s], as a share of it.

    Gives: [1]. Source: ITI (CBEMA) curve, 2000, secondary source.
    """
    return next(share for until, share in UNDER if lasts_s <= until)
