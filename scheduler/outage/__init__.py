"""Outages: which sets lost their mains together, and how each of them carries it. Pure.

The reasons: docs/engineering/outage.md.
"""

from scheduler.outage.cover import SetNow, call_list, cover_of, tally
from scheduler.outage.next_change import next_change
from scheduler.outage.stepping import comeback_s, finding, step

__all__ = [
    "SetNow",
    "call_list",
    "comeback_s",
    "cover_of",
    "finding",
    "next_change",
    "step",
    "tally",
]
