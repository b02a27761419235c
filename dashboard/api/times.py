"""Times as the API takes them: ISO 8601 with a zone, `from` and `to`."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import Query

from dashboard.problems import Problem
from fleet.bounds import EARLIEST, LATEST

From = Annotated[datetime | None, Query(alias="from", description="ISO 8601 with a zone")]
To = Annotated[datetime | None, Query(description="ISO 8601 with a zone; not included")]


def seconds(moment: datetime, name: str) -> int:
    """UTC seconds of a moment given with a zone; Problem 422 without one or out of range."""
    if moment.tzinfo is None:
        raise Problem(422, f"{name} has no zone: write it like 2026-11-25T07:00:00Z.")
    try:
        at = int(moment.timestamp())
    except (OverflowError, ValueError):
        at = -1
    if not EARLIEST <= at <= LATEST:
        raise Problem(422, f"{name} is outside the years 1970 to 2100.")
    return at


def span(from_: datetime | None, to: datetime | None, now: int, days: int) -> tuple[int, int]:
    """[start, end) in UTC seconds; `to` is now and `from` is `days` before it where not given."""
    end = seconds(to, "to") if to else now + 1
    start = seconds(from_, "from") if from_ else max(0, end - days * 86_400)
    if start >= end:
        raise Problem(422, "from must lie before to.")
    return start, end
