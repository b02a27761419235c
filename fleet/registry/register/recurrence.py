"""When a set exercises, as a cell."""

from __future__ import annotations

import re
from typing import Any

from dateutil.rrule import rrulestr

from fleet.registry.base import cells
from fleet.registry.base.cells import CellFault


def recurrence(value: Any) -> str:
    """An exercise: 'DTSTART:20260106T100000 RRULE:FREQ=WEEKLY;BYDAY=TU' (RFC 5545), local time.

    Kept with a line break between the two. Refused: no start, a zone or Z on it, a rule more
    often than daily.
    """
    plain = re.sub(r"\s*([:;=,])\s*", r"\1", str(value).strip())
    lines = re.split(r"[\s]+(?=RRULE:)", plain, flags=re.IGNORECASE)
    start = re.fullmatch(r"DTSTART[:=](\d{8}T\d{6})", lines[0].strip(), flags=re.IGNORECASE)
    expected = (
        "expected 'DTSTART:20260106T100000 RRULE:FREQ=WEEKLY;BYDAY=TU', local time of the site."
    )
    if start is None or len(lines) != 2:
        raise CellFault(f"is {cells.shown(value)}: {expected}")
    rule = f"DTSTART:{start[1].upper()}\n{lines[1].strip().upper()}"
    try:
        found = rrulestr(rule)
        first = next(iter(found), None)
    except (ValueError, TypeError, KeyError) as fault:
        raise CellFault(f"is {cells.shown(value)} ({fault}): {expected}") from None
    if first is None:
        raise CellFault(f"is {cells.shown(value)}, which never happens.")
    if re.search(r"FREQ=(HOURLY|MINUTELY|SECONDLY)", rule):
        raise CellFault(f"is {cells.shown(value)}: an exercise is daily at most.")
    return rule
