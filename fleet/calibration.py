"""Raw values to true ones: gain and offset from a check with a meter, applied when read.

Readings stay raw in the store. A calibration belongs to one channel of one fitting, holds from its
`from_at` on and ends with the fitting. All numbers here: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fleet.channels import AC_VOLTS, BATTERY_VOLTS
from fleet.hour_format import COUNTS_PER_H, hour_format_of, hours_of, in_hours
from fleet.model import Calibration, Series, Window

ENERGISED_SHARE = 0.25
"""A gain needs a raw value of at least a quarter of nominal: below, the circuit is dead. Common
practice, no source."""
GAIN_RANGE = (0.5, 2.0)
"""Another gain is a slip of the meter or of the pen. Common practice, no source."""
AC_POINTS_APART = 0.20
BATTERY_POINTS_APART = 0.08
"""Two points must be this share of nominal apart, by the meter and by the device. Common practice,
no source."""

Line = tuple[float, float]
"""gain, offset: true = gain x raw + offset."""
Point = tuple[float, float]
"""What the meter and the device said at one moment [V]."""


class CalibrationRefused(ValueError):
    """A meter check that would make the readings worse. Its text says why and what to do."""


def from_check(
    channel: str,
    meter: Sequence[float],
    raw: Sequence[float],
    nominal_v: float,
    battery_nominal_v: float,
) -> Line:
    """Gain [1] and offset [V] from one or two points of a check with a meter.

    meter, raw: what the meter and the device read at the same moment [V], one or two of each. One
    AC point: gain = meter / raw. One battery point: an offset, since a series diode or a thin
    ground is the usual fault there. Two points: the line through both. Raises CalibrationRefused
    with the reason (docs/engineering/calibration.md#refused; common practice, no source).
    """
    nominal = _nominal(channel, nominal_v, battery_nominal_v)
    points = _points(channel, meter, raw)
    highest = max(seen for _, seen in points)
    if highest < ENERGISED_SHARE * nominal:
        raise CalibrationRefused(
            f"{channel} read {highest:g} V, under a quarter of its {nominal:g} V: the circuit was "
            "not energised. A reading near zero is a zero point, never a gain. Check it again with "
            "the circuit live."
        )
    if len(points) == 2:
        return _two_points(channel, points, nominal)
    (true, seen) = points[0]
    _gain_in_range(channel, true / seen)
    if channel in BATTERY_VOLTS:
        return 1.0, true - seen
    return true / seen, 0.0


def joined_points(
    channel: str,
    earlier: Sequence[Sequence[Point]],
    own: Sequence[Point],
    nominal_v: float,
    battery_nominal_v: float,
) -> tuple[Point, ...]:
    """The points (meter, raw) [V] whose line holds from a check on: one point, or two.

    earlier: the points of the checks of this channel and fitting before it, oldest first. A check
    of one point is joined by the newest earlier point that is far enough from it, by the meter and
    by the device, to make a line; points too close to it are replaced. A check of two points
    replaces all before it (docs/engineering/calibration.md#a-second-point; common practice, no
    source).
    """
    if len(own) != 1:
        return tuple(own)
    nominal = _nominal(channel, nominal_v, battery_nominal_v)
    least = _least_apart(channel, nominal)
    (meter, raw) = own[0]
    for points in reversed(earlier):
        for point in sorted(points, key=lambda p: -abs(p[1] - raw)):
            apart = min(abs(point[0] - meter), abs(point[1] - raw))
            same_way = (point[0] - meter) * (point[1] - raw) > 0
            if apart >= least and same_way:
                return (point, own[0])
    return tuple(own)


def line_at(calibrations: Iterable[Calibration], at: int) -> Line:
    """The line that holds at a moment: the newest that began by then, else raw (1, 0)."""
    line: Line = (1.0, 0.0)
    for calibration in _in_order(calibrations):
        if calibration.from_at <= at:
            line = (calibration.gain, calibration.offset)
    return line


def true_value(calibrations: Sequence[Calibration], at: int, raw: float) -> float:
    """The true value of one reading at a moment; raw where an hour meter cannot show it."""
    declared = hour_format_of(calibrations)
    gain, offset = line_at(calibrations, at)
    meant = hours_of(raw, declared)
    return gain * (raw if meant is None else meant) + offset


def apply(series: Series, calibrations: Sequence[Calibration]) -> Series:
    """True values of one channel of one fitting. Before the first calibration: raw."""
    series = in_hours(series, hour_format_of(calibrations))
    ordered = _in_order(calibrations)
    if not ordered or not len(series):
        return series
    gain, offset = _lines_at(ordered, series.t)
    return Series(series.t, gain * series.v + offset)


def apply_window(
    window: Window, calibrations: Sequence[Calibration]
) -> tuple[Window, NDArray[np.int64]]:
    """True minimum, maximum, mean and last of one channel of one fitting.

    A gain above 0 keeps the order of values, so it may be applied to the summaries. Also returns
    the indices of the buckets a calibration starts inside: their readings do not share one line,
    so the caller must recompute them from the readings (they are mapped by the line they begin in).
    So must every bucket of a meter that writes hours and minutes, whose mean says nothing.
    """
    declared = hour_format_of(calibrations)
    if declared == "hours_minutes":
        return window, np.flatnonzero(window.count > 0)
    if declared in ("minutes", "seconds"):
        return _scaled(window, 1 / COUNTS_PER_H[declared], 0.0), np.empty(0, np.int64)
    ordered = _in_order(calibrations)
    mixed = _mixed(window, ordered)
    if not ordered:
        return window, mixed
    return _scaled(window, *_lines_at(ordered, window.start)), mixed


def _scaled(
    window: Window, gain: float | NDArray[np.float64], offset: float | NDArray[np.float64]
) -> Window:
    return replace(
        window,
        minimum=gain * window.minimum + offset,
        maximum=gain * window.maximum + offset,
        mean=gain * window.mean + offset,
        last=gain * window.last + offset,
    )


def _nominal(channel: str, nominal_v: float, battery_nominal_v: float) -> float:
    if channel in BATTERY_VOLTS:
        return battery_nominal_v
    if channel in AC_VOLTS:
        return nominal_v
    raise CalibrationRefused(
        f"{channel} is not a voltage: only volts can be checked with a meter. "
        "Write it down as a note instead."
    )


def _points(
    channel: str, meter: Sequence[float], raw: Sequence[float]
) -> list[tuple[float, float]]:
    if len(meter) != len(raw):
        raise CalibrationRefused(
            f"{channel}: {len(meter)} meter and {len(raw)} device values. Give one of each per "
            "point."
        )
    if len(meter) not in (1, 2):
        raise CalibrationRefused(f"{channel}: give one or two points, not {len(meter)}.")
    if not all(np.isfinite(value) for value in (*meter, *raw)):
        raise CalibrationRefused(f"{channel}: every value must be a number of volts.")
    return sorted(zip(meter, raw, strict=True))


def _two_points(channel: str, points: list[tuple[float, float]], nominal: float) -> Line:
    (true_low, seen_low), (true_high, seen_high) = points
    least = _least_apart(channel, nominal)
    apart = min(true_high - true_low, seen_high - seen_low)
    if apart < least:
        raise CalibrationRefused(
            f"{channel}: the two points are {apart:.3g} V apart; a line needs at least "
            f"{least:.3g} V ({_apart_share(channel):.0%} of {nominal:g} V). Give one point, or take "
            "the second where the voltage differs more."
        )
    gain = (true_high - true_low) / (seen_high - seen_low)
    _gain_in_range(channel, gain)
    return gain, true_high - gain * seen_high


def _least_apart(channel: str, nominal: float) -> float:
    return _apart_share(channel) * nominal * (1 - 1e-9)


def _apart_share(channel: str) -> float:
    return BATTERY_POINTS_APART if channel in BATTERY_VOLTS else AC_POINTS_APART


def _gain_in_range(channel: str, gain: float) -> None:
    low, high = GAIN_RANGE
    if not low <= gain <= high:
        raise CalibrationRefused(
            f"{channel}: this would multiply the readings by {gain:.3g}; more than {low:g} to "
            f"{high:g} is wiring or a wrong range, not calibration. Check the leads and the ratio."
        )


def _in_order(calibrations: Iterable[Calibration]) -> list[Calibration]:
    """Lines by begin; of two with the same begin the later given one holds (a replacement)."""
    lines = (c for c in calibrations if c.hour_format is None)
    return sorted(lines, key=lambda calibration: calibration.from_at)


def _lines_at(
    ordered: list[Calibration], t: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    starts = np.array([c.from_at for c in ordered], np.int64)
    gains = np.array([1.0, *(c.gain for c in ordered)])
    offsets = np.array([0.0, *(c.offset for c in ordered)])
    index = np.searchsorted(starts, t, side="right")
    return gains[index], offsets[index]


def _mixed(window: Window, ordered: list[Calibration]) -> NDArray[np.int64]:
    starts = np.array([c.from_at for c in ordered], np.int64)
    inside = np.searchsorted(starts, window.start + window.width_s, side="left")
    before = np.searchsorted(starts, window.start, side="right")
    return np.flatnonzero((inside > before) & (window.count > 0))
