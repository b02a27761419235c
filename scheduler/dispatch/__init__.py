"""The office's book as the planner's question, and a plan as what it means for jobs. Pure."""

from __future__ import annotations

from scheduler.dispatch.asking import DAYS, PLANNED_STATES, office_zone, request, visited
from scheduler.dispatch.midday import begun, seen, with_begun
from scheduler.dispatch.outside import GOES_TODAY, Outside, Wanting, outside
from scheduler.dispatch.plans import age_days, decode, encode, parts_for, places, round_of
from scheduler.dispatch.standing import pins, promises, told_step
from scheduler.dispatch.visits import events, uid_of

__all__ = [
    "DAYS",
    "GOES_TODAY",
    "PLANNED_STATES",
    "Outside",
    "Wanting",
    "age_days",
    "begun",
    "decode",
    "encode",
    "events",
    "office_zone",
    "outside",
    "parts_for",
    "pins",
    "places",
    "promises",
    "request",
    "round_of",
    "seen",
    "told_step",
    "uid_of",
    "visited",
    "with_begun",
]
