"""How surely a set starts, and whether it starts harder than it did.

Every share comes with its interval and nothing is claimed beyond it: three failures in twenty are
a reason to look, not proof of a bad set. Counted are demands that ended as started or failed;
starts by hand and ends that were not seen count for nothing (docs/engineering/reliability.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np
from scipy.special import betaincinv

from fleet.calendar import DAY_S
from scheduler.rules import trend
from scheduler.rules.trend import Floats, Slope, Tendency, TooFew

CONFIDENCE = 0.90
"""Two-sided. Source: the interval of INL's and NRC's tables."""
SURE = 0.99
"""What "proven" asks for: triggers pick their moment, so 90 % would say it too often. Common
practice, no source."""


class Share(msgspec.Struct, frozen=True, kw_only=True):
    """Share of demands that started, with its interval. failed of demands did not."""

    demands: int
    failed: int
    estimate: float
    low: float
    high: float
    confidence: float

    @property
    def started(self) -> int:
        return self.demands - self.failed


class Triggers(msgspec.Struct, frozen=True, kw_only=True):
    """Failures in the last so many demands at which a set is looked at.

    MEMORY values: NUMARC 87-00 rev 1 appendix D and Regulatory Guide 1.155, the numbers not read
    this time. A screening level, not proof: a set exactly at its target trips them by chance
    (7.5, 10.4 and 12.8 % of full windows at 0.95). recovered: good starts in a row that end it.
    """

    target: float = 0.95
    windows: tuple[tuple[int, int], ...] = ((20, 3), (50, 5), (100, 8))
    recovered: int = 7
    origin: str = "memory"

    def __post_init__(self) -> None:
        if not 0 < self.target < 1:
            raise ValueError(f"target must lie between 0 and 1, not {self.target:g}")
        if not self.windows or any(not 0 < failures <= n for n, failures in self.windows):
            raise ValueError("each window needs demands, and failures from 1 up to their number")
        if [n for n, _ in self.windows] != sorted({n for n, _ in self.windows}):
            raise ValueError("windows must rise, each length once")
        if self.recovered < 1:
            raise ValueError(f"recovered must be at least 1, not {self.recovered}")


def triggers_of(target: str, windows: str) -> Triggers:
    """Triggers as the settings write them: '0.95', '3/20 5/50 8/100' (failures / demands).

    Raises ValueError saying what is wrong.

    Gives: a record of counts and a share [1]. Definition.
    """
    try:
        pairs = [tuple(int(n) for n in word.split("/")) for word in windows.split()]
        found = tuple((demands, failures) for failures, demands in pairs)
        share = float(target)
    except ValueError:
        raise ValueError(
            f"start_target is a share such as 0.95 and start_triggers reads like '3/20 5/50', not "
            f"{target!r} and {windows!r}"
        ) from None
    return Triggers(target=share, windows=found, origin="settings")


AT_95 = Triggers()
"""The triggers of the target of 95 %. Source: NUMARC 87-00 rev. 1, appendix D, from memory."""


class Tripped(msgspec.Struct, frozen=True, kw_only=True):
    """A trigger that was reached: failures among the last `demands` (up to `window`)."""

    window: int
    limit: int
    demands: int
    failed: int


class Verdict(msgspec.Struct, frozen=True, kw_only=True):
    """tripped: triggers reached; proven: even the 99 % interval of one lies under the target.

    recovered: good starts in a row at the end reach the number that ends it.
    """

    share: Share | None
    tripped: tuple[Tripped, ...] = ()
    proven: bool = False
    recovered: bool = False


def jeffreys(failed: int, demands: int, confidence: float = CONFIDENCE) -> Share | None:
    """Share of demands that started [1], Jeffreys estimate and equal-tailed interval.

    Failures a of n: posterior Beta(a + 0.5, n - a + 0.5), mean (a + 0.5)/(n + 1); the share that
    started is one less that. With no failure the upper bound is the posterior's own, just under 1,
    not set to 1 (some texts do). confidence: of the two-sided interval [1]. None: no demand. Raises
    ValueError when failed is below 0 or above demands.

    Gives: a record of shares [1]. Source: INL RADS, Distributions.
    """
    if not 0 <= failed <= demands:
        raise ValueError(f"{failed} failures of {demands} demands cannot be")
    if demands == 0:
        return None
    a, b = failed + 0.5, demands - failed + 0.5
    tail = (1 - confidence) / 2
    return Share(
        demands=demands,
        failed=failed,
        estimate=1 - a / (a + b),
        low=1 - float(betaincinv(a, b, 1 - tail)),
        high=1 - float(betaincinv(a, b, tail)),
        confidence=confidence,
    )


def pooled(parts: Sequence[tuple[int, int]], confidence: float = CONFIDENCE) -> Share | None:
    """One share over several units: a model, an area, the fleet.

    parts: (failed, demands) of each; confidence: of the two-sided interval [1]. Units of a model
    are taken as alike; where they are not, the interval is too narrow, and it is said as "all units
    together".

    Gives: a record of shares [1]. Source: INL RADS, Distributions, as `jeffreys`.
    """
    return jeffreys(sum(f for f, _ in parts), sum(n for _, n in parts), confidence)


def judge(failures: Sequence[bool], triggers: Triggers = AT_95) -> Verdict:
    """The triggers over a unit's demands, oldest first; True: failed.

    A window not yet full counts what there is: three failures in the first six demands trip it.

    Gives: a record of counts and shares [1]. Source: NUMARC 87-00 rev. 1, appendix D, and
    Regulatory Guide 1.155, from memory.
    """
    share = jeffreys(sum(failures), len(failures))
    tripped: list[Tripped] = []
    for window, limit in triggers.windows:
        last = failures[-window:]
        if sum(last) >= limit:
            tripped.append(Tripped(window=window, limit=limit, demands=len(last), failed=sum(last)))
    worst = [jeffreys(trip.failed, trip.demands, SURE) for trip in tripped]
    return Verdict(
        share=share,
        tripped=tuple(tripped),
        proven=any(one is not None and one.high < triggers.target for one in worst),
        recovered=len(failures) >= triggers.recovered and not any(failures[-triggers.recovered :]),
    )


class Start(msgspec.Struct, frozen=True, kw_only=True):
    """One start of the engine: at (UTC s), attempts, longest crank [s], engine [degC] before it."""

    at: int
    attempts: int
    crank_s: float | None
    temp_c: float | None


class HarderRules(msgspec.Struct, frozen=True, kw_only=True):
    """When starting counts as harder. Common practice, no source, but for the tests used.

    like_c: compared are starts within this of the newest ones' temperature [degC].
    least, span_days: like starts and days needed. chance: of a false claim, one-sided, each test.
    rise_share, rise_s: crank seconds must have grown by both; rise_attempts: attempts by this.
    """

    like_c: float = 8.0
    least: int = 12
    span_days: int = 45
    chance: float = 0.0005
    rise_share: float = 0.30
    rise_s: float = 0.5
    rise_attempts: float = 0.5

    def __post_init__(self) -> None:
        if self.like_c <= 0 or self.span_days < 1:
            raise ValueError("like_c and span_days must be above 0")
        if self.least < 8:
            raise ValueError(f"least must be at least 8, not {self.least}: fewer show no trend")
        if not 0 < self.chance < 0.5:
            raise ValueError(f"chance must lie between 0 and 0.5, not {self.chance:g}")
        if min(self.rise_share, self.rise_s, self.rise_attempts) <= 0:
            raise ValueError("the rises must be above 0")


Measure = Literal["attempts", "crank_s"]


class Harder(msgspec.Struct, frozen=True, kw_only=True):
    """What the like starts say of one measure: before and now (medians, or means of attempts).

    slope per day with its interval; p: chance of such a rise without a trend. found: harder.
    """

    measure: Measure
    before: float
    now: float
    per_day: float
    per_day_low: float
    per_day_high: float
    p: float
    n: int
    from_at: int
    to_at: int
    temp_c: float
    found: bool


CLOSE_DAYS, CLOSE_C, CLOSE_PAIRS = 21, 3.0, 15
"""Starts this close in time and apart in temperature teach what the cold alone does. Common
practice, no source."""


def harder(
    starts: Sequence[Start], rules: HarderRules | None = None
) -> tuple[Harder, ...] | TooFew:
    """Whether attempts and crank seconds rise over time, compared at like temperature.

    starts: of a year at most, oldest first, after the last change of a starting part. Taken are
    those within `like_c` of the median temperature of the newest five; what the temperature itself
    does is learned from pairs close in time and taken out; then Mann-Kendall for a rise, and
    Theil-Sen for its size. A rise counts when the newest starts still show it. Detection limit:
    between the first and the last of n like starts, over at least 45 days and 12 of them, crank
    seconds up by max(0.5 s, 30 %, 16 sd / sqrt(n)) (scatter sd 0.46 s of common sets, 26 starts:
    1.45 s); attempts up by max(0.5, 16 sd / sqrt(n)). Refused without temperatures: a cold season
    looks like a fault.

    Gives: records in seconds [s] or attempts [1], slopes a day. Source: Mann-Kendall and Theil-Sen
    as in scheduler/rules/trend.py; thresholds common practice, no source.
    """
    rules = rules or HarderRules()
    known = [s for s in starts if s.temp_c is not None]
    if len(known) < rules.least:
        why = "no temperature is reported" if starts and not known else f"{len(known)} starts"
        return TooFew(n=len(known), least=rules.least, reason=f"{why}, {rules.least} needed")
    temp_c = float(np.median([s.temp_c for s in known[-5:] if s.temp_c is not None]))
    like = [s for s in known if s.temp_c is not None and abs(s.temp_c - temp_c) <= rules.like_c]
    measures: tuple[Measure, ...] = ("crank_s", "attempts")
    found = [one for name in measures if (one := _one(name, like, temp_c, rules))]
    if not found:
        reason = f"{len(like)} starts at {temp_c:.0f} C, {rules.least} needed over "
        return TooFew(n=len(like), least=rules.least, reason=f"{reason}{rules.span_days} days")
    return tuple(found)


def _one(name: Measure, like: Sequence[Start], temp_c: float, rules: HarderRules) -> Harder | None:
    taken = [s for s in like if name == "attempts" or s.crank_s is not None]
    if len(taken) < rules.least or taken[-1].at - taken[0].at < rules.span_days * DAY_S:
        return None
    days = np.array([(s.at - taken[0].at) / DAY_S for s in taken])
    warm = np.array([s.temp_c for s in taken], np.float64)
    raw = np.array([s.attempts if name == "attempts" else s.crank_s for s in taken], np.float64)
    value = raw - _by_cold(days, warm, raw) * (warm - temp_c)
    tendency, slope = trend.mann_kendall(value), trend.theil_sen(days, value)
    if not isinstance(tendency, Tendency) or not isinstance(slope, Slope):
        return None
    third = max(4, len(taken) // 3)
    middle = np.mean if name == "attempts" else np.median
    before, now = float(middle(value[:third])), float(middle(value[-third:]))
    newest = float(middle(value[-min(5, third) :]))
    needed = (
        rules.rise_attempts if name == "attempts" else max(rules.rise_s, rules.rise_share * before)
    )
    # The thirds' middles stand two thirds of the span apart: a steady rise shows two thirds.
    grown = min(now, newest) - before >= needed * (1 - third / len(taken))
    return Harder(
        measure=name,
        before=round(before, 3),
        now=round(now, 3),
        per_day=slope.slope,
        per_day_low=slope.low,
        per_day_high=slope.high,
        p=tendency.p_rising,
        n=len(taken),
        from_at=taken[0].at,
        to_at=taken[-1].at,
        temp_c=round(temp_c, 1),
        found=grown and tendency.p_rising <= rules.chance,
    )


def _by_cold(days: Floats, warm: Floats, value: Floats) -> float:
    """What one degree does [per degC], from pairs close in time; 0 where too few can tell.

    Never above 0: warmth makes no engine start harder, and a trend must not hide there.
    """
    i, j = np.triu_indices(len(days), 1)
    useful = (days[j] - days[i] <= CLOSE_DAYS) & (np.abs(warm[j] - warm[i]) >= CLOSE_C)
    if int(useful.sum()) < CLOSE_PAIRS:
        return 0.0
    slopes = (value[j] - value[i])[useful] / (warm[j] - warm[i])[useful]
    return min(0.0, float(np.median(slopes)))
