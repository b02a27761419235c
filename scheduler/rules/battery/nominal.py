"""Whether a starter battery's volts fit another nominal than the register has."""

from __future__ import annotations

from collections.abc import Sequence

NOMINALS_V = (6.0, 12.0, 24.0, 36.0, 48.0)
"""Nominals of starter batteries: those the register takes. Definition."""
STANDS = (11.0 / 12.0, 15.0 / 12.0)
"""A battery stands and is charged between these shares of its nominal, flat and boosted ones taken
in: 11 to 15 V of one of 12 V. Common practice, no source."""
LEAST_DAYS = 2
"""So many standing days tell it. Common practice, no source."""


def other_nominal(days_v: Sequence[float], nominal_v: float) -> float | None:
    """The nominal whose volts every one of these days lies in, while none lies in those of nominal_v.

    days_v: median volts of standing days, of one battery and one line of its device [V].

    Gives: [V], or none. Common practice, no source.
    """
    if len(days_v) < LEAST_DAYS or any(_stands(v, nominal_v) for v in days_v):
        return None
    fits = [n for n in NOMINALS_V if all(_stands(v, n) for v in days_v)]
    return fits[0] if len(fits) == 1 else None


def _stands(volts: float, nominal_v: float) -> bool:
    return STANDS[0] <= volts / nominal_v <= STANDS[1]
