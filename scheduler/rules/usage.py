"""When engine hours will reach a number: scheduled exercise is known, other running is not.

Other running (outages, by hand, called for) is a Gamma-Poisson count with the sets of the same
area as prior, times the lengths of runs that were really seen. Each past run comes again at a rate
of its own, drawn once a simulation from Gamma; together that is the Gamma posterior of the count
and a Bayesian bootstrap of the lengths (Rubin 1981). Because each past run brings its own random
numbers, taking a run away can only move a date later: less use never makes work due earlier.
Weather comes in spells, so the rate of all runs rises and falls together from block to block, by
as much as the two-month blocks of the area did (docs/engineering/usage.md#model).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import msgspec
import numpy as np
from numpy.typing import NDArray

HORIZON_DAYS = 730
"""How far ahead is foretold: two years. Definition."""
DRAWS = 256
"""Simulated futures: quantiles of 10 and 90 % rest on 25 each. Common practice, no source."""
BLOCK_DAYS = 60
"""Weather and seasons rise and fall by blocks of so many days. Common practice, no source."""
BLOCKS_A_YEAR = 6
"""Blocks of 60 days in a year, rounded. Arithmetic."""
PRIOR_DAYS = (60.0, 730.0)
"""The area counts for at least and at most so many days of a set's own. Common practice, no
source."""
DEFAULT_RATE = 4 / 365
DEFAULT_HOURS = (0.3, 0.8, 1.5, 3.0, 6.0)
"""Other runs a day, and their hours, where the area knows nothing: a few short outages a year.
Source: EIA, typical US year of 1.4 interruptions of 5 to 8 h, short ones not in it; the rest common
practice, no source."""
FEW_UNITS, FEW_RUNS = 5, 10
"""Below so many sets with a month or runs in all, an area knows nothing. Common practice, no
source."""
AGAIN = 24
"""A past run comes again at most so often within the horizon (about twice on average). Common
practice, no source."""
SMEAR = 0.5
"""Spread (sd of the logarithm) around the lengths seen: a smoothed bootstrap. Common practice, no
source."""
WHOLE = 0.8
"""A month counts as watched from this share of it on. Common practice, no source."""
UNSURE = 0.5
"""The swing is measured over a year of blocks at most, so its shape is halved: with the whole of it
the band held 70 to 78 % where seasons are strong (scored on usage of another process). Common
practice, no source; tests/scheduler/rules/test_usage.py scores it."""
SEASON = (0.15, 3.0)
"""No season is so quiet or so wild that it says more than this. Common practice, no source."""
SPREAD = (0.2, 8.0)
"""Least and greatest shape of the monthly swing: 0.2 very stormy, 8 nearly even. Common practice,
no source."""

Floats = NDArray[np.float64]


class OtherRun(msgspec.Struct, frozen=True):
    """A run that no exercise explains: when it began (UTC s), how long it ran [h]."""

    at: int
    hours_h: float


class Usage(msgspec.Struct, frozen=True, kw_only=True):
    """What one set's other running looked like, newest 60 days first.

    months: (runs, their hours [h], days watched) of each. hours_h: the lengths of the newest runs
    [h], a sample for the area.
    """

    months: tuple[tuple[int, float, float], ...] = ()
    hours_h: tuple[float, ...] = ()

    @property
    def runs(self) -> int:
        return sum(runs for runs, _, _ in self.months)

    @property
    def days(self) -> float:
        return sum(days for _, _, days in self.months)


class Prior(msgspec.Struct, frozen=True, kw_only=True):
    """What the area says of a set nobody has watched. Rate of other runs: Gamma(rate x days, days).

    rate: runs a day; days: how much of a set's own watching it weighs; swing: shape of the monthly
    factor (mean 1, variance 1/swing); hours_h: lengths of runs [h], rising; units: sets it is from;
    season: what the newest 60 days, the 60 before them... of a year are of the mean (six factors).
    """

    rate: float = DEFAULT_RATE
    days: float = 30.0
    swing: float = 2.0
    hours_h: tuple[float, ...] = DEFAULT_HOURS
    units: int = 0
    season: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not (self.rate > 0 and self.days > 0 and self.swing > 0):
            raise ValueError("rate, days and swing must be above 0")
        if self.season and (len(self.season) != BLOCKS_A_YEAR or min(self.season) <= 0):
            raise ValueError(f"season needs {BLOCKS_A_YEAR} factors above 0, or none")
        if not self.hours_h or min(self.hours_h) <= 0:
            raise ValueError("hours_h needs at least one length above 0")


class Likely(msgspec.Struct, frozen=True, kw_only=True):
    """Days from now by which 10, 50 and 90 % of the simulations had the hours; None: beyond 730."""

    early_d: int | None
    middle_d: int | None
    late_d: int | None


def prior_of(area: Sequence[Usage]) -> Prior:
    """The prior from the sets of an area (the set itself may be among them; one of many).

    Rate: all runs over all days. days: rate / variance between sets, by moments, what chance alone
    explains taken off. swing: mean^2 / (variance of monthly hours - chance), pooled.

    Gives: a record of runs a day [1], days [days] and hours [h]. Common practice, no source
    (Gamma-Poisson by moments).
    """
    known = [one for one in area if one.days >= BLOCK_DAYS]
    runs = sum(one.runs for one in known)
    hours = tuple(sorted(h for one in known for h in one.hours_h if h > 0))
    if len(known) < FEW_UNITS or runs < FEW_RUNS or not hours:
        return Prior(units=len(known))
    rate = runs / sum(one.days for one in known)
    swing = _swing(known, np.asarray(hours))
    noise = [rate / one.days * (1 + rate * BLOCK_DAYS / swing) for one in known]
    between = float(np.var([one.runs / one.days for one in known], ddof=1)) - float(np.mean(noise))
    days = PRIOR_DAYS[1] if between <= 0 else rate / between
    return Prior(
        rate=rate,
        days=float(np.clip(days, *PRIOR_DAYS)),
        swing=swing,
        hours_h=hours,
        units=len(known),
        season=_season(known, rate),
    )


def _season(known: Sequence[Usage], rate: float) -> tuple[float, ...]:
    """How the area's runs went with the seasons: one wave a year, shrunk by what chance explains.

    Least squares of one sine wave on the six blocks' share of the mean rate; its square amplitude
    is shrunk by its own expectation under chance (4/6 of the residual variance, James and Stein's
    rule). Nothing where fewer than six blocks were watched. Common statistics, no source.
    """
    seen: list[float] = []
    for block in range(BLOCKS_A_YEAR):
        both = [one.months[block] for one in known if len(one.months) > block]
        watched = sum(days for _, _, days in both)
        if watched < BLOCK_DAYS * FEW_UNITS / 2:
            return ()
        seen.append(sum(runs for runs, _, _ in both) / watched / rate)
    angle = 2 * np.pi * np.arange(BLOCKS_A_YEAR) / BLOCKS_A_YEAR
    share = np.asarray(seen)
    wave = np.stack([np.cos(angle), np.sin(angle)])
    size = wave @ (share - share.mean()) / (BLOCKS_A_YEAR / 2)
    square = float(size @ size)
    rest = share - share.mean() - size @ wave
    chance = 4 / BLOCKS_A_YEAR * float(rest @ rest) / (BLOCKS_A_YEAR - 3)
    kept = max(0.0, 1 - chance / square) if square > 0 else 0.0
    factor = np.clip(1 + kept * (size @ wave), *SEASON)
    return tuple(float(f) for f in factor / factor.mean())


def _exposed(watched: float, season: Sequence[float]) -> float:
    """Days watched, each counted by what its season is of the mean."""
    if not season:
        return watched
    days, total = watched, 0.0
    for back in range(ceil(watched / BLOCK_DAYS)):
        total += min(days, BLOCK_DAYS) * season[back % BLOCKS_A_YEAR]
        days -= BLOCK_DAYS
    return total


def _swing(known: Sequence[Usage], hours: Floats) -> float:
    """How much the hours of a month differ beyond chance, each set against its own mean.

    Chance: a Poisson number of independent lengths has the variance number x E(length^2).
    """
    over = square = 0.0
    second = float((hours**2).mean())
    for one in known:
        whole = [(n, h) for n, h, d in one.months if d >= BLOCK_DAYS * WHOLE]
        if len(whole) < 3:
            continue
        ran = np.array([h for _, h in whole])
        mean = float(ran.mean())
        over += float(ran.var(ddof=1)) - second * float(np.mean([n for n, _ in whole]))
        square += mean**2
    return float(np.clip(UNSURE * square / over if over > 0 else SPREAD[1], *SPREAD))


def days_until(
    hours_left: Sequence[float],
    runs: Sequence[OtherRun],
    watched_days: float,
    exercise_h: Sequence[float],
    prior: Prior,
    seed: int,
) -> tuple[Likely, ...]:
    """Days until so many more engine hours [h] have run; one answer for each of hours_left.

    256 simulated futures of scheduled hours and of other runs (the head of this module); the day by
    whose end the hours are there in 10, 50 and 90 % of them. runs: the set's other runs of the last
    `watched_days`. exercise_h: scheduled hours of each day ahead, today first (shorter than the
    horizon: its mean goes on). The same arguments, seed among them, give the same answer.

    Gives: records in days [days]. Source: Bayesian bootstrap, Rubin 1981; the Gamma-Poisson count
    is common practice, no source.
    """
    known = known_hours(exercise_h)
    total = known[None, :] + np.cumsum(_other(runs, watched_days, prior, seed), axis=1)
    return tuple(_crossing(total, left) for left in hours_left)


def known_hours(exercise_h: Sequence[float]) -> Floats:
    """Scheduled hours by the end of each day of the horizon [h]: running sum, the mean of
    exercise_h going on behind its end.

    Gives: [h]. Arithmetic.
    """
    daily = np.asarray(exercise_h[:HORIZON_DAYS], np.float64)
    if len(daily) < HORIZON_DAYS:
        rest = float(daily.mean()) if len(daily) else 0.0
        daily = np.concatenate([daily, np.full(HORIZON_DAYS - len(daily), rest)])
    return np.cumsum(daily)


def _other(runs: Sequence[OtherRun], watched: float, prior: Prior, seed: int) -> Floats:
    """Hours of other running of each day, (DRAWS, HORIZON_DAYS) [h]."""
    rng = np.random.default_rng((seed, 0))
    blocks = -(-HORIZON_DAYS // BLOCK_DAYS)
    factor = rng.gamma(prior.swing, 1 / prior.swing, (DRAWS, blocks))
    if prior.season:  # block j ahead is the season of the block that ended a year before it does
        ahead = [prior.season[(BLOCKS_A_YEAR - 1 - j) % BLOCKS_A_YEAR] for j in range(blocks)]
        factor *= np.asarray(ahead)
    passed = np.concatenate([np.zeros((DRAWS, 1)), np.cumsum(factor, axis=1)], axis=1) * BLOCK_DAYS
    weight = _exposed(watched, prior.season) + prior.days
    # Runs come in spells, so n of them tell less than n: each counts for 1/spell of one.
    spell = 1 + prior.rate * BLOCK_DAYS / prior.swing
    shape = prior.rate * prior.days / spell
    level = rng.gamma(shape, spell / weight, DRAWS)
    lengths = np.asarray(prior.hours_h)
    most = int(np.ceil(3 * level.max() * passed[:, -1].max())) + 8 if level.max() > 0 else 8
    row, day, at = _arrivals(rng, level, passed, min(most, 4000))
    hours = lengths[(rng.random((DRAWS, min(most, 4000)))[row, at] * len(lengths)).astype(np.int64)]
    where, much = [row * HORIZON_DAYS + day], [hours * _smear(rng, len(row))]
    for run in runs:
        own = np.random.default_rng((seed, run.at))
        level = own.gamma(1 / spell, spell / weight, DRAWS)
        row, day, _ = _arrivals(own, level, passed, AGAIN)
        where.append(row * HORIZON_DAYS + day)
        much.append(run.hours_h * _smear(own, len(row)))
    size = DRAWS * HORIZON_DAYS
    found = np.bincount(np.concatenate(where), np.concatenate(much), size)
    return found.astype(np.float64).reshape(DRAWS, HORIZON_DAYS)


def _arrivals(
    rng: np.random.Generator, level: Floats, passed: Floats, most: int
) -> tuple[NDArray[np.intp], NDArray[np.int64], NDArray[np.intp]]:
    """(draw, day, which) of each arrival; level: a day, passed: days as the weather counts them."""
    gaps = rng.exponential(1.0, (DRAWS, most))
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        at = np.cumsum(gaps, axis=1) / level[:, None]
    inside = at < passed[:, -1:]
    row, which = np.nonzero(inside)
    moment = at[row, which]
    block = (passed[row, 1:] <= moment[:, None]).sum(axis=1)
    begin, end = passed[row, block], passed[row, block + 1]
    share = (moment - begin) / np.maximum(end - begin, 1e-12)
    day = (BLOCK_DAYS * (block + share)).astype(np.int64)
    soon = day < HORIZON_DAYS
    return row[soon], day[soon], which[soon]


def _smear(rng: np.random.Generator, n: int) -> Floats:
    """Factors of mean 1: the next outage is not as long as one of the last, to the minute."""
    return np.exp(SMEAR * rng.standard_normal(n) - SMEAR**2 / 2)


def _crossing(total: Floats, left: float) -> Likely:
    """Quantiles of the first day by whose end the hours are there."""
    if left <= 0:
        return Likely(early_d=0, middle_d=0, late_d=0)
    days = np.sort((total < left - 1e-9).sum(axis=1))
    early, middle, late = (int(days[round(q * (DRAWS - 1))]) for q in (0.10, 0.50, 0.90))
    return Likely(early_d=_inside(early), middle_d=_inside(middle), late_d=_inside(late))


def _inside(days: int) -> int | None:
    return days if days < HORIZON_DAYS else None
