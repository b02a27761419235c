"""Engine hours: what the hour meter gained, and what it did that a meter does not do.

The rise of the running maximum of accepted readings, within epochs
(docs/engineering/hours.md#the-meter). Totals are never kept here: a day holds rises, and whoever
needs a total adds them to a person's anchor.
"""

from __future__ import annotations

from scheduler.rules.hours.format_evidence import likely_format
from scheduler.rules.hours.meter import RULES, MeterCarry, MeterDay, MeterRules
from scheduler.rules.hours.rise import rise, risen_while

__all__ = [
    "RULES",
    "MeterCarry",
    "MeterDay",
    "MeterRules",
    "likely_format",
    "rise",
    "risen_while",
]
