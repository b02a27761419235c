"""Hours by reason in calendar years of the site."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.calendar import local_date
from scheduler.assess.hours import Ledger
from scheduler.day import Day
from scheduler.rules import exercise
from scheduler.rules.exercise import Candidate, Plan, YearHours
from scheduler.rules.exercise.year import year_span


def years_of(
    joined: Sequence[Candidate],
    days: Sequence[Day],
    ledger: Ledger,
    here: tuple[str, int],
    plan: Plan | None,
    now: int,
) -> tuple[YearHours, ...]:
    """This calendar year and the one before, as far as there are days.

    here: the site's zone and its calendar year now.

    Gives: records in hours [h]. Source: 40 CFR 63.6640(f), subpart ZZZZ, as
    scheduler/rules/exercise/year.py.
    """
    zone, year = here
    length_s = None if plan is None else plan.length_s
    runs = [one.run for one in joined]
    firsts = [day.first_at for day in days if day.first_at is not None]
    found = []
    for which in (year, year - 1):
        start, end = year_span(which, zone)
        inside = [at for at in firsts if start <= at < end]
        if not inside:
            continue
        begun = min(inside)
        seen = exercise.year_hours(runs, zone, which, now, exercise_s=length_s)
        unseen = 0.0
        if ledger.now.source == "meter":
            unseen = ledger.gains.between(begun, min(end, now)) - seen.total_h
        since = local_date(begun, zone).isoformat()
        found.append(
            msgspec.structs.replace(seen, unseen_h=round(max(0.0, unseen), 2), since=since)
        )
    return tuple(found)
