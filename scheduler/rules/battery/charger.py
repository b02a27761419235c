"""What charges a battery, learned from its standing volts, and whether it still does."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, cos, hypot, inf, pi, sin

import msgspec
import numpy as np

from fleet.model import Charger
from scheduler.rules import trend
from scheduler.rules.battery.foretold import days_until
from scheduler.rules.battery.tables import LOW_V
from scheduler.rules.trend import Slope

LEARN_DAYS, LEARN_LEAST = 14, 10
"""Learned once 14 days have passed with volts on at least 10 of them. Common practice, no
source."""
LEARN_FROM_DAYS = 28
"""The newest four weeks before the fault, if there is one, say what kind it is. Common practice, no
source."""
ALWAYS, SELDOM = 0.95, 0.34
BOOST_V, BOOST_RISE_V = 14.0, 0.4
RISE_V = 0.2
SUN_SHARE, SUN_HOURS = 0.75, 5.0
"""Solar: the daily maximum keeps to the hours around noon. These: common practice, no source."""
UNDER_DAYS: dict[Charger, float] = {
    "float": 1.0,
    "unknown": 1.0,
    "boost": 1.0,
    "on_off": 3.0,
    "solar": 7.0,
    "none": inf,
}
"""Under 13.0 V so long is a fault; a charger that works now and then gets longer, a panel a week of
clouds (docs/engineering/battery.md#on-charge). Common practice, no source."""
BOOST_ONLY_DAYS = 9.0
"""Under 13.0 V so long, where the charger does nothing but boost once a week. Common practice, no
source."""
SEEN_READINGS = 60
"""Of a charger that works one hour in ten, 60 readings miss every one twice in a thousand times.
Arithmetic. 0.9^60 = 0.0018."""
FELL_V = 0.5
"""Fallen by so much from what was usual, it does not stand on the meter's own error. Common
practice, no source."""
CRANKS_FROM = 25.0
"""Below a quarter of charge a start is not to be counted on. Common practice, no source."""


class DayVolts(msgspec.Struct, frozen=True, kw_only=True):
    """A day of a standing set, per 12 V; high_s: second of the day (UTC) of its highest reading; n:
    readings."""

    day: int
    low_v: float
    mid_v: float
    high_v: float
    high_s: int
    lifted: float
    n: int = 144


class Left(msgspec.Struct, frozen=True, kw_only=True):
    """Days until a battery without a charger may not crank; None: beyond what can be foretold."""

    days: float | None
    low: float | None
    high: float | None
    per_day_v: float
    span_days: float


def learn(days: Sequence[DayVolts], noon_s: int = 43_200) -> Charger:
    """The kind of charger, from days in order; unknown: too few, or like none of them.

    The first that fits, of the newest four weeks: boost (up to a third of the days reach 14 V and
    0.4 V over the median high, and the rest keep above 13.0 V or hardly ever reach it), float (95 %
    of a usual day's readings at 13.0 V or more), solar (a daily swing of 0.2 V, highest around
    noon), none (nine days of ten never reach 13.0 V), on and off (a third of the days do). noon_s:
    second of the day (UTC) of noon at the site.

    Gives: a word. Common practice, no source.
    """
    if len(days) < LEARN_LEAST or days[-1].day - days[0].day + 1 < LEARN_DAYS:
        return "unknown"
    days = days[-LEARN_FROM_DAYS:]
    high = np.array([one.high_v for one in days])
    lifted = np.array([one.lifted for one in days])
    ranges = high - np.array([one.low_v for one in days])
    usual = float(np.median(lifted))
    boosted = float((high >= max(BOOST_V, float(np.median(high)) + BOOST_RISE_V)).mean())
    if 0 < boosted <= SELDOM and (usual >= ALWAYS or float((lifted > 0).mean()) <= SELDOM):
        return "boost"
    if usual >= ALWAYS:
        return "float"
    if float(np.median(ranges)) >= RISE_V and by_sun(days, noon_s) >= SUN_SHARE:
        return "solar"
    if float((high < LOW_V).mean()) >= 0.9:
        return "none"
    return "on_off" if float((lifted > 0).mean()) >= SELDOM else "unknown"


def by_sun(days: Sequence[DayVolts], noon_s: int) -> float:
    """How closely the daily maxima keep to one hour near noon: 0 not at all, 1 always the same.

    Length of the mean of the maxima's times of day as directions on a circle; 0 where the mean lies
    over 5 h from noon_s.

    Gives: [1]. Arithmetic.
    """
    angles = [2 * pi * (one.high_s - noon_s) / 86_400 for one in days]
    x = sum(cos(a) for a in angles) / len(angles)
    y = sum(sin(a) for a in angles) / len(angles)
    hours = abs(atan2(y, x)) * 12 / pi
    return hypot(x, y) if hours <= SUN_HOURS else 0.0


def allowed_days(kind: Charger, days: Sequence[DayVolts]) -> float:
    """Days under 13.0 V after which a charger of this kind is at fault.

    One that works now and then is seen only now and then by a device that reports seldom.

    Gives: [days]. Common practice, no source.
    """
    mostly = float(np.median([one.lifted for one in days])) if days else 1.0
    allowed = BOOST_ONLY_DAYS if kind == "boost" and mostly < 0.5 else UNDER_DAYS[kind]
    if kind not in ("on_off", "boost") or mostly >= ALWAYS or not days:
        return allowed
    return max(allowed, SEEN_READINGS / float(np.median([one.n for one in days])))


def days_left(
    at_day: Sequence[float], volts: Sequence[float], segments: Sequence[int], limit_v: float
) -> Left | None:
    """Days until rested volts (per 12 V) reach limit_v, from their sag between charges.

    Theil-Sen over rests of one stretch without a charge each (segments); None with too few. More
    sag never gives more days: days = (now - limit) / sag, its interval by the sag's.

    Gives: a record of days [days] and of the sag [V a day]. Source: Theil 1950 and Sen 1968 for the
    sag, as in scheduler/rules/trend.py; the division is arithmetic.
    """
    found = trend.theil_sen(at_day, volts, segments=segments)
    if not isinstance(found, Slope):
        return None
    span = max(at_day) - min(at_day)
    above = max(0.0, volts[-1] - limit_v)
    return Left(
        days=days_until(above, found.slope, span),
        low=days_until(above, found.low, span),
        high=days_until(above, found.high, span),
        per_day_v=found.slope,
        span_days=span,
    )
