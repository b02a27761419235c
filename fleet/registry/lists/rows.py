"""Figures of the whole fleet and of the service, for pages: shapes alone, so that whoever is handed them imports no SQL."""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec

from fleet.model import (
    Condition,
    Readiness,
    Severity,
)
from fleet.registry.facts.rows import InboxMark


class StartCount(NamedTuple):
    """Start demands of several sets over a year whose end was seen, and those that failed."""

    units: int
    demands: int
    failed: int


class Counts(msgspec.Struct, frozen=True, kw_only=True):
    """Units by condition, by gravest finding ('' = none) and by readiness. not_assessed: too new.

    silent: of the unknown, those that do not report; the others, and those not assessed, are too
    new.
    """

    units: int
    by_condition: dict[Condition, int]
    by_severity: dict[Severity | str, int]
    not_assessed: int
    by_readiness: dict[Readiness, int] = {}
    silent: int = 0

    @property
    def too_new(self) -> int:
        """Unknown without being silent: never looked at, never heard, or not yet proven."""
        judged = sum(self.by_readiness.values())
        return self.units - judged + self.by_readiness.get("unknown", 0) - self.silent


class HealthFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What the Health page says of the service itself. Times in UTC seconds."""

    heartbeats: dict[str, tuple[int, dict[str, Any]]]
    inbox: tuple[InboxMark, ...]
    units: int
    devices: int
    unregistered: int
    devices_ignored: int
    touches_device: int
    touches_unit: int
    oldest_touch_at: int | None
    newest_heard_at: int | None
    open_episodes: int
    quarantined: int
    quarantined_over: int
    facts_version: int
