"""Oil inside a long run: air-cooled engines use it, and an outage can outlast what is in them."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from fleet.model import Record

FIRST_H, EVERY_H = 8, 24
"""Checked after 8 h of a run, then every 24 h (docs/engineering/service.md#oil-in-a-long-run).
Common practice, no source."""
EARLY_S = 2 * 3600
"""A check this long before it is due is that check. Common practice, no source."""
CHECKS = frozenset({"visit", "task_done", "refuel", "hour_meter", "meter_replaced"})
"""Records of somebody who was at the set."""


class OilCheck(msgspec.Struct, frozen=True, kw_only=True):
    """due_at: when the newest check fell due; number: 1 = after 8 h; next_at: the one after it.

    open: nobody is known to have been at the set since. All in UTC seconds.
    """

    due_at: int | None
    number: int
    next_at: int
    open: bool


def oil_check(
    run_start: int, now: int, air_cooled: bool, records: Iterable[Record]
) -> OilCheck | None:
    """The oil check of a run that still goes on since run_start [UTC s]; None for liquid-cooled
    engines.

    records: those that hold; a visit, task, refuel or meter reading within 2 h before the check was
    due, or after, answers it.

    Gives: a record in UTC seconds [UTC s]. Common practice, no source.
    """
    if not air_cooled or now < run_start:
        return None
    first = run_start + FIRST_H * 3600
    if now < first:
        return OilCheck(due_at=None, number=0, next_at=first, open=False)
    number = 1 + (now - first) // (EVERY_H * 3600)
    due_at = first + (number - 1) * EVERY_H * 3600
    answered = any(r.kind in CHECKS and due_at - EARLY_S <= r.at <= now for r in records)
    return OilCheck(
        due_at=due_at, number=number, next_at=due_at + EVERY_H * 3600, open=not answered
    )
