"""Moments as they are written on the command line."""

from __future__ import annotations

from datetime import datetime

from fleet.bounds import EARLIEST, LATEST


class MomentFault(ValueError):
    """What was written is no moment. A sentence: how to write one."""


def moment_of(text: str) -> int:
    """UTC seconds of ISO 8601 with a zone. Raises MomentFault."""
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        told = None
    if told is None or told.tzinfo is None:
        raise MomentFault("Write a moment with its zone, like 2026-11-25T07:00:00Z.")
    at = int(told.timestamp())
    if not EARLIEST <= at <= LATEST:
        raise MomentFault("The moment is outside the years 1970 to 2100.")
    return at
