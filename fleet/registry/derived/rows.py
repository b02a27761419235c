"""Derived rows of a unit, and what asks for them: shapes alone, so that whoever is handed them imports no SQL."""

from __future__ import annotations

import msgspec

from fleet.model import (
    DueItem,
    UnitSummary,
)
from fleet.registry.told.rows import AlertChanges


class UnitTouch(msgspec.Struct, frozen=True, kw_only=True):
    """A unit to compute again. days: (UTC day, onward, seq); onward: that day and all after it.

    seq is a token: hand it back unchanged so that a touch made meanwhile is not cleared.
    """

    unit: str
    days: tuple[tuple[int, bool, int], ...]
    priority: bool = False


class DayRow(msgspec.Struct, frozen=True, kw_only=True):
    """A derived day of a unit: its document, and the fingerprint of what it was made from."""

    unit: str
    day: int
    fingerprint: str
    carry_in: str
    doc: bytes


class UnitTurn(msgspec.Struct, frozen=True, kw_only=True):
    """What one turn of watch found about one unit.

    touches: as read, (day, onward, seq), to be cleared where seq is unchanged.
    days to write and drop_days to delete; others stay. due replaces all due items of the unit.
    alerts: of the unit's alerts. facts_seq: as read with the inputs.
    """

    unit: str
    customer: str
    touches: tuple[tuple[int, bool, int], ...] = ()
    days: list[DayRow] = []
    drop_days: list[int] = []
    assessment: bytes = b""
    look_again_at: int
    summary: UnitSummary
    due: list[DueItem] = []
    alerts: AlertChanges = AlertChanges()
    facts_seq: int
