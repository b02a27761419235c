"""The office's book as the planner's question, and a plan as what it means for jobs. Pure."""

from __future__ import annotations

from scheduler.dispatch.asking import DAYS, office_zone, request
from scheduler.dispatch.midday import begun, with_begun
from scheduler.dispatch.plans import age_days, decode, encode, parts_for, places, round_of
from scheduler.dispatch.standing import pins, promises, told_step
from scheduler.dispatch.visits import events, uid_of

__all__ = [
    "DAYS",
    "age_days",
    "begun",
    "decode",
    "encode",
    "events",
    "office_zone",
    "parts_for",
    "pins",
    "places",
    "promises",
    "request",
    "round_of",
    "told_step",
    "uid_of",
    "with_begun",
]
