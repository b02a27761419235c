"""How a meter seems to write its hours, learned from readings that no decimals explain.

A meter of hours and minutes leaps by 0.41 in the minute from 812.59 to 813.00, never shows a
fraction of .60 or more, and fits the clock once its hundredths are read as minutes. One that counts
minutes or seconds shows whole numbers and rises 60 or 3,600 times as fast as the clock.
"""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.hour_format import MINUTES_IN_H, hours_of, hundredths
from fleet.model import HourFormat

LEAPS_LEAST = {"hours_minutes": 3, "minutes": 6, "seconds": 6}
LEAPS_SHARE = 0.8
"""So many leaps, and so much of all of them, must be explained by one format before it is asked
about. Common practice, no source."""
COUNTS_FASTER = 20
"""A count of minutes or seconds leaps by at least so many times the clock. Common practice, no
source."""
LEAPS_MOST = 1_000
"""No more are counted. Definition."""


class FormatEvidence(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """What was seen of how a meter writes: the reading that leaps are counted from (UTC s, value),
    leaps that hours as decimals do not explain, and how many of them each other format does.

    decimal: a fraction of .60 or more was seen; broken: one that is no whole number.
    """

    at: int | None = None
    value: float = 0.0
    leaps: int = 0
    hours_minutes: int = 0
    minutes: int = 0
    seconds: int = 0
    decimal: bool = False
    broken: bool = False


def observe(
    before: FormatEvidence,
    t: NDArray[np.int64],
    v: NDArray[np.float64],
    resolution_h: float,
    plain: bool,
) -> FormatEvidence:
    """What was seen of a meter with the readings of another day.

    t: UTC s, rising; v: values as sent; resolution_h: the meter's step [h]; plain: hours as
    decimals explain all of the day.

    Gives: a record. Common practice, no source.
    """
    if not len(t):
        return before
    decimal = before.decimal or bool(np.any(hundredths(v) >= MINUTES_IN_H))
    broken = before.broken or bool(np.any(hundredths(v) > 0))
    if plain or (decimal and broken):
        seen = msgspec.structs.replace(before, at=int(t[-1]), value=float(v[-1]))
    else:
        seen = before
        for at, value in zip(t.tolist(), v.tolist(), strict=True):
            seen = _step(seen, at, value, resolution_h)
    return msgspec.structs.replace(seen, decimal=decimal, broken=broken)


def _step(seen: FormatEvidence, at: int, value: float, resolution_h: float) -> FormatEvidence:
    if seen.at is None or value <= seen.value:
        return msgspec.structs.replace(seen, at=at, value=value)
    risen, passed_h = value - seen.value, (at - seen.at) / 3600
    slack = 2 * resolution_h + 1e-9
    if risen <= passed_h + slack or seen.leaps >= LEAPS_MOST:
        return seen if risen > passed_h else msgspec.structs.replace(seen, at=at, value=value)
    fast = risen >= COUNTS_FASTER * passed_h
    return msgspec.structs.replace(
        seen,
        at=at,
        value=value,
        leaps=seen.leaps + 1,
        hours_minutes=seen.hours_minutes + _as_minutes(seen.value, value, passed_h, slack),
        minutes=seen.minutes + (fast and risen <= 60 * passed_h + slack),
        seconds=seen.seconds + (fast and risen <= 3600 * passed_h + slack),
    )


def _as_minutes(before: float, after: float, passed_h: float, slack: float) -> bool:
    first, last = hours_of(before, "hours_minutes"), hours_of(after, "hours_minutes")
    return first is not None and last is not None and last - first <= passed_h + slack


def likely_format(seen: FormatEvidence) -> HourFormat | None:
    """The format that explains the leaps of a meter, of several the slowest; None where hours as
    decimals do, or nothing does.

    Gives: a word, or none. Common practice, no source.
    """
    formats: tuple[tuple[HourFormat, int, bool], ...] = (
        ("hours_minutes", seen.hours_minutes, seen.decimal),
        ("minutes", seen.minutes, seen.broken),
        ("seconds", seen.seconds, seen.broken),
    )
    for name, explained, excluded in formats:
        enough = explained >= max(LEAPS_LEAST[name], LEAPS_SHARE * seen.leaps)
        if enough and not excluded:
            return name
    return None
