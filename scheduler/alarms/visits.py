"""Visits that are open: somebody is at the set, and its alerts are held back meanwhile."""

from __future__ import annotations

from fleet.model import Record
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.written import moment

VISIT_MOST_S = 24 * 3600
"""A visit that nobody closed silences its set no longer than a day. Common practice, no source."""


def open_visit(inputs: UnitInputs, now: int) -> tuple[Record, int] | None:
    """The visit that was opened and not closed yet, and when it began (UTC seconds)."""
    zone = inputs.site.time_zone
    for record in reversed(inputs.records):
        if record.kind != "visit" or record.facts.get("closed"):
            continue
        begun = moment(record.facts.get("opened"), zone, False) or record.at
        if begun <= now < begun + VISIT_MOST_S:
            return record, begun
    return None
