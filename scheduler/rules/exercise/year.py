"""Hours by reason, a calendar year at a time; loads against NFPA 110 where a set is under it.

40 CFR 63 subpart ZZZZ (63.6640(f)) counts the hours of an emergency engine by reason in a calendar
year: testing and maintenance under 100 h (secondary source), outages without limit. NFPA 110 8.4.2
(secondary source): a diesel runs monthly for 30 min at 30 % of nameplate or at its maker's least
exhaust temperature; where it cannot, 8.4.2.3: once a year 30 min at 50 %, then 60 min at 75 %, 1.5 h
in one go. It binds only where a code requires the set: for all others nothing is said but the facts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from itertools import takewhile

import msgspec

from fleet.calendar import day_bounds, local_date
from fleet.model import Run
from scheduler.rules.exercise.evidence import Candidate

TESTING_H = 100.0
"""Testing and maintenance of an emergency engine in a calendar year [h]. Source: 40 CFR 63.6640(f),
subpart ZZZZ, secondary source."""
MONTHLY_S, MONTHLY_SHARE = 1800, 0.30
"""A diesel's monthly run: so long, at so much of nameplate. Source: NFPA 110, 8.4.2, secondary
source."""
ANNUAL: tuple[tuple[int, float], ...] = ((1800, 0.50), (3600, 0.75))
"""The yearly supplemental run: (seconds, share of nameplate). Source: NFPA 110, 8.4.2.3, secondary
source."""
LIGHT_SHARE = MONTHLY_SHARE
LIGHT_AT_LEAST_S = 300
"""Runs under 5 min say nothing of how a diesel is loaded. Common practice, no source."""


class YearHours(msgspec.Struct, frozen=True, kw_only=True):
    """Hours of runs seen in one calendar year of the site, by reason [h].

    testing_h: exercise and by hand, to be held against 100 h. unseen_h: what the hour meter
    gained beyond the runs seen. since: the first local date with data in that year.
    """

    year: int
    exercise_h: float = 0.0
    outage_h: float = 0.0
    by_hand_h: float = 0.0
    unknown_h: float = 0.0
    unseen_h: float = 0.0
    since: str = ""

    @property
    def testing_h(self) -> float:
        return round(self.exercise_h + self.by_hand_h, 2)

    @property
    def total_h(self) -> float:
        return round(self.exercise_h + self.outage_h + self.by_hand_h + self.unknown_h, 2)


def year_hours(
    runs: Iterable[Run],
    zone: str,
    year: int,
    until: int,
    *,
    exercise_s: float | None = None,
) -> YearHours:
    """Hours by reason in a calendar year of the site's zone, up to `until` (UTC seconds).

    A run over New Year counts in both years, each its part. An open or uncertain run counts to
    the last moment it was seen running; an exercise, whose agreed length is exercise_s [s], never
    for longer than that unless it was seen running for longer (a device that reports every 6 h
    shows a run of 20 min as one of 6 h).

    Gives: a record in hours [h]. Source: 40 CFR 63.6640(f), subpart ZZZZ (secondary source): hours
    by reason in a calendar year.
    """
    start, end = year_span(year, zone)
    end = min(end, until)
    seconds = dict.fromkeys(("exercise", "outage", "by_hand", "unknown"), 0)
    for run in runs:
        stop = run.last_on_at if run.end is None else run.end
        if run.why == "exercise" and exercise_s is not None:
            stop = min(stop, max(run.last_on_at, run.start + round(exercise_s)))
        seconds[run.why] += max(0, min(stop, end) - max(run.start, start))
    hours = {why: round(s / 3600, 2) for why, s in seconds.items()}
    return YearHours(
        year=year,
        exercise_h=hours["exercise"],
        outage_h=hours["outage"],
        by_hand_h=hours["by_hand"],
        unknown_h=hours["unknown"],
    )


def year_span(year: int, zone: str) -> tuple[int, int]:
    """UTC seconds [start, end) of a calendar year on the wall: local midnight to local midnight.

    Gives: [UTC s]. Arithmetic.
    """
    return day_bounds(date(year, 1, 1), zone)[0], day_bounds(date(year + 1, 1, 1), zone)[0]


def year_of(at: int, zone: str) -> int:
    """The calendar year on the wall: that of the local date of a moment.

    Gives: the year of a date. Arithmetic.
    """
    return local_date(at, zone).year


class LightLoad(msgspec.Struct, frozen=True, kw_only=True):
    """A diesel's newest runs in a row under 30 % of nameplate: how many, since when, hours."""

    runs: int
    since_at: int
    hours_h: float


def light_load(runs: Sequence[Candidate], rated_kw: float | None) -> LightLoad | None:
    """The streak of light runs at the end; None: none, or load or rating not known.

    Mean load of a run at least 5 min long; a run whose load was not measured ends nothing.

    Gives: a record of runs [1], hours [h] and since when [UTC s]. Source: 30 % of nameplate after
    NFPA 110, 8.4.2 (texts of 2010 to 2022, secondary source); 5 min common practice, no source.
    """
    if not rated_kw:
        return None
    streak: list[Candidate] = []
    for one in reversed(runs):
        mean = one.mean_kw
        if mean is None or one.length_s < LIGHT_AT_LEAST_S:
            continue
        if mean >= LIGHT_SHARE * rated_kw:
            break
        streak.append(one)
    if not streak:
        return None
    hours = sum(one.length_s for one in streak) / 3600
    return LightLoad(runs=len(streak), since_at=streak[-1].run.start, hours_h=round(hours, 1))


def monthly_met(length_s: float, load_share: float | None, exhaust_proof: bool = False) -> bool:
    """NFPA 110 8.4.2 for a diesel: at least 30 min, and 30 % of nameplate or the maker's least
    exhaust temperature (exhaust_proof). Only for sets under it.

    Gives: yes or no. Source: NFPA 110, 8.4.2 (texts of 2010 to 2022, secondary source).
    """
    loaded = exhaust_proof or (load_share is not None and load_share >= MONTHLY_SHARE)
    return length_s >= MONTHLY_S and loaded


def annual_supplemental_met(steps: Sequence[tuple[float, float]]) -> bool:
    """NFPA 110 8.4.2.3 for a diesel whose monthly run was not met: steps of one run in order,
    (seconds, share of nameplate): 30 min at 50 % or more, then 60 min at 75 % or more.

    Gives: yes or no. Source: NFPA 110, 8.4.2.3 (texts of 2010 to 2022, secondary source).
    """
    for n in range(len(steps)):
        head = list(takewhile(lambda step: step[1] >= ANNUAL[0][1], steps[:n]))
        rest_s = sum(s for s, _ in takewhile(lambda step: step[1] >= ANNUAL[1][1], steps[n:]))
        whole_s = sum(s for s, _ in head) + rest_s
        if len(head) == n and rest_s >= ANNUAL[1][0] and whole_s >= ANNUAL[0][0] + ANNUAL[1][0]:
            return True
    return False
