"""The office's book as the planner's question, and a plan as what it means for jobs. Pure."""

from __future__ import annotations

from scheduler.dispatch.board import (
    brought_up,
    by_hand,
    publication,
    question,
    standing,
    whole_book,
)
from scheduler.dispatch.midday import begun, recorded, seen, with_begun
from scheduler.dispatch.outside import GOES_TODAY, Outside, Wanting, outside
from scheduler.dispatch.planner_request import DAYS, PLANNED_STATES, fits_in, request
from scheduler.dispatch.plans import decode, encode, events, uid_of
from scheduler.dispatch.standing import pins, promises, told_step

__all__ = [
    "DAYS",
    "GOES_TODAY",
    "PLANNED_STATES",
    "Outside",
    "Wanting",
    "begun",
    "brought_up",
    "by_hand",
    "decode",
    "encode",
    "events",
    "fits_in",
    "outside",
    "pins",
    "promises",
    "publication",
    "question",
    "recorded",
    "request",
    "seen",
    "standing",
    "told_step",
    "uid_of",
    "whole_book",
    "with_begun",
]
