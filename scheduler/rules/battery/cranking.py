"""Volts while cranking: the newest start beside a healthy one at like temperature, and the trend."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

import msgspec

from scheduler.rules import trend
from scheduler.rules.battery.foretold import days_until
from scheduler.rules.battery.state import BatteryTrend, CrankLook
from scheduler.rules.battery.tables import crank_limit_v, scale
from scheduler.rules.trend import Slope, Tendency

LIKE_C = 8.0
"""Starts are compared within 8 C (docs/engineering/battery.md#cranking). Common practice, no
source."""
NO_CRANK_V = 11.5
"""A battery that dips no lower was not cranking: a preheater takes it to about here. These numbers
per 12 V: common practice, no source."""
HEALTHY_V = 0.5
"""Healthy: answered at the first attempt, over the limit, and within so much of the unit's best.
Common practice, no source."""
METER_V = 0.1
"""Under the limit by no more is the instrument's, not the battery's. Common practice, no source."""
NEWEST = 3
"""Newest starts that are counted: one low start may be a cold night. Common practice, no source."""
FALLEN_V, FALLEN_BELOW_V = 0.7, 0.5
"""Fallen by so much is said by itself; by the second, together with starts under the limit. Common
practice, no source."""
FAR_BELOW_V, FAR_FALLEN_V = 0.5, 1.0
"""One start so far under the limit, and so far below its healthy like, is enough. Common practice,
no source."""
STEP_UP_V, STEP_WEEKS = 0.8, 3
"""A step of so much that stays for so many weeks is a new battery. Common practice, no source."""
WEEK_S = 7 * 86_400
"""A week [s]. Arithmetic."""
LEAST_WEEKS = 8
"""Weeks below which no trend is told. Common practice, no source."""
SURE = 0.01
"""Chance below which Mann-Kendall calls it falling. Common practice, no source."""
LEAST_FALL_V = 0.3
"""A fall of less is within what an instrument does. Common practice, no source."""
MONTH_DAYS = 30.0
"""Slopes are told by the month of 30 days. Definition."""


class Crank(msgspec.Struct, frozen=True, kw_only=True):
    """One measured start: lowest volts of its attempts (per 12 V), temperature [C], answered at the
    first attempt or not; segment: stretch between changes of calibration or device."""

    at: int
    v: float
    temp_c: float | None = None
    clean: bool = True
    segment: int = 0

    @property
    def margin_v(self) -> float:
        """Over the limit at its temperature, which takes the temperature out."""
        return self.v - crank_limit_v(self.temp_c)


def measured(cranks: Sequence[Crank]) -> list[Crank]:
    """Those that were a crank (no more than 11.5 V at their lowest, per 12 V), in time order.

    Gives: records. Common practice, no source.
    """
    return sorted((c for c in cranks if c.v <= NO_CRANK_V), key=lambda c: c.at)


def healthy_like(starts: Sequence[Crank]) -> Crank | None:
    """Of the starts before the newest, the healthy one nearest to it in temperature (within 8 C, of
    equals the older). Without temperatures there is none: like is compared with like.

    Gives: a record, or none. Common practice, no source.
    """
    now = starts[-1]
    if now.temp_c is None:
        return None
    before = [
        c for c in starts[:-1] if c.clean and c.temp_c is not None and c.segment == now.segment
    ]
    if not before:
        return None
    margins = sorted(c.margin_v for c in before)
    best = margins[(9 * (len(margins) - 1)) // 10]
    fit = [c for c in before if c.margin_v >= max(-METER_V, best - HEALTHY_V)]
    near = [(abs((c.temp_c or 0.0) - now.temp_c), c.at, c) for c in fit]
    near = [one for one in near if one[0] <= LIKE_C]
    return min(near, key=lambda one: one[:2])[2] if near else None


def look(starts: Sequence[Crank], nominal_v: float = 12.0) -> tuple[CrankLook, float | None]:
    """(the newest start beside a healthy one; how far the newest three have fallen, per 12 V).

    Fallen: the median over the newest three of each one's distance to its own healthy like. Only
    those that the same device measured in the same calibration count.

    Gives: a record in volts of the battery [V], and a fall [V]. Source: the limit by the load-test
    table of scheduler/rules/battery/tables.py; the rest common practice, no source.
    """
    if not starts:
        return CrankLook(reason="not measured"), None
    count, starts = len(starts), one_line(starts)
    now, by = starts[-1], scale(nominal_v)
    like = healthy_like(starts)
    newest = range(min(NEWEST, len(starts)))
    fallen = [f for n in newest if (f := _fallen(starts[: len(starts) - n])) is not None]
    low = [_low(c) for c in starts]
    reason = ""
    if like is None:
        reason = "no temperature read" if now.temp_c is None else "no healthy start within 8 °C yet"
    seen = CrankLook(
        at=now.at,
        volts_v=round(now.v * by, 2),
        temp_c=now.temp_c,
        limit_v=round(crank_limit_v(now.temp_c, nominal_v), 2),
        healthy_at=like.at if like else None,
        healthy_v=round(like.v * by, 2) if like else None,
        healthy_temp_c=like.temp_c if like else None,
        starts=count,
        below=sum(low[-NEWEST:]),
        like_from=starts[0].at,
        like_starts=len(starts),
        like_low=sum(low),
        reason=reason,
    )
    return seen, median(fallen) if fallen else None


def one_line(starts: Sequence[Crank]) -> list[Crank]:
    """Those measured as the newest one was: by its device, in its calibration.

    Gives: records. Definition.
    """
    return [c for c in starts if c.segment == starts[-1].segment]


def _low(one: Crank) -> bool:
    return one.margin_v < -METER_V


def _fallen(starts: Sequence[Crank]) -> float | None:
    like = healthy_like(starts) if len(starts) > 1 else None
    return None if like is None else like.v - starts[-1].v


def worn(starts: Sequence[Crank], fallen_v: float | None) -> str:
    """What the starts say: "cranking" the limit is crossed, "fallen" lower than its own healthy
    starts, "low" under the limit and not known to have held more; "" nothing.

    cranking: two of the newest three over 0.1 V under the limit and fallen_v of 0.5 V, or the
    newest 0.5 V under it and 1 V below its healthy like; fallen: fallen_v of 0.7 V; low: two of
    three under. Of one device and calibration: what another one measured says nothing of this.
    Without temperatures the limit is that of the coldest row, and its own usual start stands in for
    a healthy like: a volt lower is more than a season makes.

    Gives: a word. Common practice, no source.
    """
    if not starts:
        return ""
    starts = one_line(starts)
    now, like = starts[-1], healthy_like(starts)
    below = sum(_low(c) for c in starts[-NEWEST:])
    drop = fallen_v or 0.0
    usual = _usual_v(starts) if now.temp_c is None else like.v if like is not None else None
    far = usual is not None and usual - now.v >= FAR_FALLEN_V
    if below >= 2 and (drop >= FALLEN_BELOW_V or (now.temp_c is None and far)):
        return "cranking"
    if far and now.margin_v <= -FAR_BELOW_V:
        return "cranking"
    if drop >= FALLEN_V:
        return "fallen"
    return "low" if below >= 2 else ""


def _usual_v(starts: Sequence[Crank]) -> float | None:
    """Median of the earlier starts answered at once, without the newest three."""
    now = starts[-1]
    before = [c.v for c in starts[:-NEWEST] if c.clean and c.segment == now.segment]
    return median(before) if len(before) >= NEWEST else None


def afresh(starts: Sequence[Crank]) -> int | None:
    """When a better battery was put in, as the volts tell it: a step up that stays.

    The median of three weeks lies 0.8 V or more over that of the three before, and each of them
    above all of those; no pair across a calibration or a device. The newest such step.

    Gives: [UTC s]. Common practice, no source.
    """
    weeks = weekly(starts)
    for k in range(len(weeks) - STEP_WEEKS, STEP_WEEKS - 1, -1):
        before = [v for _, v, _ in weeks[k - STEP_WEEKS : k]]
        after = [v for _, v, _ in weeks[k : k + STEP_WEEKS]]
        if len({s for _, _, s in weeks[k - STEP_WEEKS : k + STEP_WEEKS]}) > 1:
            continue
        rise = median(after) - median(before)
        if rise >= STEP_UP_V and min(after) > max(before):
            return weeks[k][0]
    return None


def weekly(starts: Sequence[Crank]) -> list[tuple[int, float, int]]:
    """(first start, median margin, segment) of each week and segment, in time order.

    Gives: moments [UTC s], medians over the limit [V], segments [1]. Arithmetic.
    """
    groups: dict[tuple[int, int], list[Crank]] = {}
    for one in starts:
        groups.setdefault((one.at // WEEK_S, one.segment), []).append(one)
    return [
        (group[0].at, median(c.margin_v for c in group), segment)
        for (_, segment), group in sorted(groups.items(), key=lambda item: item[1][0].at)
    ]


def fall(
    weeks: Sequence[tuple[int, float, int]],
    measure: str,
    like_fallen_v: float | None,
    nominal_v: float,
) -> BatteryTrend | None:
    """The trend of weekly medians over their limit (0), with the date of crossing; None: too few.

    Falling: Mann-Kendall under 1 % by chance, the whole Theil-Sen interval falling, 0.3 V over the
    span, and so much by starts at like temperature too (like_fallen_v; of rest there are none).
    Crossing from the newest four weeks on, never beyond twice the span.

    Gives: a record in volts a month of the battery [V]. Source: Theil 1950, Sen 1968 and
    Mann-Kendall as in scheduler/rules/trend.py; thresholds common practice, no source.
    """
    if len(weeks) < LEAST_WEEKS:
        return None
    days = [(at - weeks[0][0]) / 86_400 for at, _, _ in weeks]
    values = [v for _, v, _ in weeks]
    segments = [s for _, _, s in weeks]
    slope = trend.theil_sen(days, values, segments=segments)
    tends = trend.mann_kendall(values, segments=segments)
    if not isinstance(slope, Slope) or not isinstance(tends, Tendency):
        return None
    span = days[-1]
    falling = (
        tends.p_falling < SURE
        and slope.high < 0
        and -slope.slope * span >= LEAST_FALL_V
        and (measure == "rest" or (like_fallen_v or 0.0) >= LEAST_FALL_V)
    )
    by = scale(nominal_v)
    found = BatteryTrend(
        measure="cranking" if measure == "cranking" else "rest",
        per_month_v=round(slope.slope * MONTH_DAYS * by, 4),
        low_v=round(slope.low * MONTH_DAYS * by, 4),
        high_v=round(slope.high * MONTH_DAYS * by, 4),
        falling=falling,
        chance=float(f"{tends.p_falling:.2g}"),
        weeks=len(weeks),
        from_at=weeks[0][0],
        to_at=weeks[-1][0],
    )
    if not falling:
        return found
    above = max(0.0, median(values[-4:]))
    ends = [days_until(above, s, span) for s in (slope.slope, slope.low, slope.high)]
    at, first, last = (None if d is None else weeks[-1][0] + round(d * 86_400) for d in ends)
    return msgspec.structs.replace(found, crosses_at=at, crosses_from=first, crosses_to=last)
