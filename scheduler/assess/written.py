"""Moments as people write them down."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from fleet.calendar import day_bounds, instant


def moment(value: Any, zone_name: str, end: bool) -> int | None:
    """A moment people wrote: epoch seconds, ISO time, or a local date (its end, where asked).

    Gives: [UTC s]. Definition.
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        return int(value)
    if not isinstance(value, str) or not value:
        return None
    try:
        if len(value) == 10:
            return day_bounds(date.fromisoformat(value), zone_name)[1 if end else 0]
        moment = datetime.fromisoformat(value)
    except ValueError:
        return None
    if moment.tzinfo is None:
        return instant(moment.date(), moment.time(), zone_name)
    return int(moment.timestamp())
