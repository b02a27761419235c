"""How a device writes the hours of its meter, and the hours that it means.

Some count minutes or seconds; some write hours and minutes with a point between, so that 812.59 is
followed by 813.00 and 812 h 30 min stands as 812.30. Read as decimals such a meter loses 24 of its
60 minutes' worth of hundredths in every hour. A person declares the format for a fitting; readings
stay as they were sent and are converted when they are read. Definitions, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from fleet.model import Calibration, HourFormat, Series

COUNTS_PER_H: dict[HourFormat, int] = {
    "hours": 1,
    "hours_minutes": 1,
    "minutes": 60,
    "seconds": 3600,
}
MINUTES_IN_H = 60
"""What a meter of each format counts up by in an hour. Definition."""
_CLOCK = re.compile(r"\s*(\d{1,7}):([0-5]\d)(?:\s*h)?\s*")


def hour_format_of(calibrations: Iterable[Calibration]) -> HourFormat | None:
    """The format declared last for one channel of one fitting; None: nobody declared one."""
    declared = [c for c in calibrations if c.hour_format is not None]
    newest = max(declared, key=lambda c: (c.from_at, c.id), default=None)
    return newest.hour_format if newest is not None else None


def hours_of(value: float, written: HourFormat | None) -> float | None:
    """The hours [h] that a value means; None for one that no meter of this format shows."""
    hours = _hours(np.array([value]), written)
    return None if np.isnan(hours[0]) else float(hours[0])


def clock_hours(text: object) -> float | None:
    """Hours [h] that a person wrote with a colon, as a meter of hours and minutes shows them
    (812:45 is 812.75 h); None for anything else."""
    found = _CLOCK.fullmatch(text) if isinstance(text, str) else None
    return None if found is None else int(found[1]) + int(found[2]) / MINUTES_IN_H


def in_hours(series: Series, written: HourFormat | None) -> Series:
    """A meter's readings as hours [h], without those that no meter of this format shows."""
    if written in (None, "hours") or not len(series):
        return series
    hours = _hours(series.v, written)
    keep = ~np.isnan(hours)
    return Series(series.t[keep], hours[keep])


def hundredths(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """The two decimals of each value, as a whole number of 0 to 99."""
    return np.asarray(np.round(values * 100) % 100, np.int64)


def _hours(values: NDArray[np.float64], written: HourFormat | None) -> NDArray[np.float64]:
    if written != "hours_minutes":
        return values / COUNTS_PER_H[written or "hours"]
    minutes = hundredths(values)
    whole = np.floor(np.round(values * 100) / 100)
    return np.where(minutes < MINUTES_IN_H, whole + minutes / MINUTES_IN_H, np.nan)
