"""Sets that a code requires to be exercised: NFPA 110 by calendar month, never for any other set.

8.4.1 and 8.4.2 (secondary source): monthly, under load; a diesel for 30 min at 30 % of nameplate or
at its maker's least exhaust temperature, else once a year the supplemental run of 8.4.2.3. 8.4.2.4
(MEMORY): a spark-ignited set for 30 min with the load there is. 8.4.1.1 (MEMORY): running in an
outage may stand in for an exercise. The adopted edition and the local authority come first.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Literal

import msgspec

from fleet.calendar import add_months, day_bounds, local_date
from scheduler.rules.exercise.evidence import Candidate
from scheduler.rules.exercise.year import (
    ANNUAL,
    MONTHLY_S,
    MONTHLY_SHARE,
    annual_supplemental_met,
    monthly_met,
)

Met = Literal["met", "not_met", "not_measured"]
SHOWN_MONTHS = 12
"""Months that are judged: a year. Definition."""


class CodeMonth(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A calendar month of the site. run_start: the run that came nearest; share: its mean load of
    nameplate (None: not measured)."""

    month: str
    met: Met
    run_start: int | None = None
    length_s: int | None = None
    share: float | None = None


class UnderCode(msgspec.Struct, frozen=True, kw_only=True):
    """What NFPA 110's exercise says of a set under it. months: whole ones watched, newest first.

    supplemental: of the last 12 months, for a diesel with a month not met; '' = not needed.
    """

    months: tuple[CodeMonth, ...] = ()
    supplemental: Met | Literal[""] = ""
    diesel: bool = False


def under_code(
    runs: Sequence[Candidate],
    *,
    rated_kw: float | None,
    diesel: bool,
    zone: str,
    since: int,
    now: int,
) -> UnderCode:
    """The whole calendar months from `since` (the first reading) to `now`, both UTC seconds.

    Of each month the run that comes nearest: a diesel's mean load over rated_kw [kW] and its
    length, else the length alone. Where a month was not met by a diesel, the supplemental run of
    the last year.

    Gives: a record of months, lengths [s] and shares [1]. Source: NFPA 110, 8.4.1, 8.4.2, 8.4.2.3
    (texts of 2010 to 2022, secondary source); 8.4.2.4 and 8.4.1.1 from memory.
    """
    first_of = local_date(now, zone).replace(day=1)
    months: list[CodeMonth] = []
    for back in range(1, SHOWN_MONTHS + 1):
        begin, end = add_months(first_of, -back), add_months(first_of, 1 - back)
        start_at, end_at = day_bounds(begin, zone)[0], day_bounds(end, zone)[0]
        if start_at < since:
            break
        inside = [one for one in runs if start_at <= one.run.start < end_at]
        months.append(_month(begin, inside, rated_kw, diesel))
    wanted = diesel and any(month.met != "met" for month in months)
    newest = [one for one in runs if now - one.run.start <= 366 * 86_400]
    return UnderCode(
        months=tuple(months),
        supplemental=_supplemental(newest, rated_kw) if wanted else "",
        diesel=diesel,
    )


def _month(
    begin: date, runs: Sequence[Candidate], rated_kw: float | None, diesel: bool
) -> CodeMonth:
    """met where one run is long and loaded enough; not measured where a long one has no load."""
    best: CodeMonth | None = None
    for one in runs:
        share = _share(one, rated_kw)
        long_enough = one.length_s >= MONTHLY_S
        if not diesel:
            met: Met = "met" if long_enough else "not_met"
        elif long_enough and share is None:
            met = "not_measured"
        else:
            met = "met" if monthly_met(one.length_s, share) else "not_met"
        month = CodeMonth(
            month=f"{begin:%Y-%m}",
            met=met,
            run_start=one.run.start,
            length_s=round(one.length_s),
            share=None if share is None else round(share, 3),
        )
        if best is None or _rank(month) > _rank(best):
            best = month
    return best or CodeMonth(month=f"{begin:%Y-%m}", met="not_met")


def _rank(month: CodeMonth) -> tuple[int, float, float]:
    order = ("not_met", "not_measured", "met")
    length = min(month.length_s or 0, MONTHLY_S)
    return order.index(month.met), length, min(month.share or 0.0, MONTHLY_SHARE)


def _supplemental(runs: Sequence[Candidate], rated_kw: float | None) -> Met:
    """By the mean load of one run: 90 min at 75 % or more is it for sure; with less, or without a
    load measured, the steps of the run are for a person to show."""
    least_s = sum(seconds for seconds, _ in ANNUAL)
    unknown = False
    for one in runs:
        share = _share(one, rated_kw)
        if one.length_s < least_s:
            continue
        if share is None:
            unknown = True
        elif annual_supplemental_met([(one.length_s, share)]):
            return "met"
        else:
            unknown |= share >= ANNUAL[0][1]
    return "not_measured" if unknown else "not_met"


def _share(one: Candidate, rated_kw: float | None) -> float | None:
    mean = one.mean_kw
    return None if mean is None or not rated_kw else mean / rated_kw
