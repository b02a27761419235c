"""When work on an engine falls due: by its hours, by the calendar, whichever comes first.

A task that was never done counts from the set's begin here (commissioning, or the first engine
hours known). Floating: the next interval counts from when the work was done. Fixed: from a series
of dates (or hours) that late or extra work does not move; work done up to the tolerance early
satisfies the occurrence it precedes. Only a record of the task itself, or of a task that resets
it, moves anything. Calendar arithmetic is in local dates, always from the anchor.

Intervals come from the plan (the maker's manual wins). All numbers below: common practice, no
source.
"""

from scheduler.rules.service.due import due_items, finding, kit_of
from scheduler.rules.service.duty import Duty, duty_of
from scheduler.rules.service.long_run import OilCheck, oil_check
from scheduler.rules.service.reckon import (
    SOON_DAYS,
    SOON_HOURS_SHARE,
    hours_fact,
    soon_days,
)
from scheduler.rules.service.situation import RANK, Situation

__all__ = [
    "RANK",
    "SOON_DAYS",
    "SOON_HOURS_SHARE",
    "Duty",
    "OilCheck",
    "Situation",
    "due_items",
    "duty_of",
    "finding",
    "hours_fact",
    "kit_of",
    "oil_check",
    "soon_days",
]
