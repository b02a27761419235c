"""What a scheduler process remembers between turns, and what one turn did."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field

from fleet.ending import Fault, no_fault
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from scheduler.rules.reliability import AT_95, Triggers
from scheduler.rules.usage import Prior, Usage, prior_of
from scheduler.turns import alerting, outages
from scheduler.turns.day_cache import DayCache

log = logging.getLogger("hourhand.scheduler")

RETRY_S = 5
RETRY_MOST_S = 900
"""Pauses before a unit that failed is looked at again: the first, doubled each time, and the
longest. A pace of ours."""
PRIOR_S = 3600
"""How sets of an area are used is looked up again after an hour. A pace of ours."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """A unit whose rules failed: what kind of fault, how often, when to try again."""

    fault: str
    count: int
    again_at: int


@dataclass(slots=True)
class Memory:
    """What one scheduler process remembers between turns. priors: by area, with the time.

    triggers: from the settings."""

    troubles: dict[str, Trouble] = field(default_factory=dict)
    priors: dict[str, tuple[int, Prior]] = field(default_factory=dict)
    triggers: Triggers = AT_95
    office: alerting.OfficeCache = field(default_factory=alerting.OfficeCache)
    places: outages.Places = field(default_factory=outages.Places)
    day_cache: DayCache = field(default_factory=DayCache)
    faults: int = 0
    fault: Fault = no_fault


@dataclass(slots=True)
class Turn:
    """What one turn did. behind_s: how far the host clock is behind the newest receipt."""

    spread: int = 0
    units: int = 0
    days: int = 0
    refused: int = 0
    failed: int = 0
    opened: int = 0
    outages: int = 0
    seconds: float = 0.0
    more: bool = False
    behind_s: int = 0


def prior_in(registry: Registry, area: str, now: int, memory: Memory) -> Prior:
    """How sets of an area are used, from their summaries; the same for an hour."""
    held = memory.priors.get(area)
    if held is None or not 0 <= now - held[0] < PRIOR_S:
        rows = unscoped.area_usage(registry, area)
        sets = [Usage(months=row.other_runs, hours_h=row.other_hours_h) for row in rows]
        held = memory.priors[area] = (now, prior_of(sets))
    return held[1]


def remember(memory: Memory, unit: str, fault: Exception, now: int) -> None:
    """Note a unit whose rules failed. Only the kind of fault is told: its text may be foreign."""
    before = memory.troubles.get(unit)
    count = before.count + 1 if before else 1
    pause = min(RETRY_S * 2 ** (count - 1), RETRY_MOST_S)
    memory.troubles[unit] = Trouble(type(fault).__name__, count, now + pause)
    memory.faults += 1
    where = fault.__traceback__
    while where is not None and where.tb_next is not None:
        where = where.tb_next
    place = f"{where.tb_frame.f_globals.get('__name__')}:{where.tb_lineno}" if where else "?"
    log.error("rules failed on unit %s: %s at %s", unit, type(fault).__name__, place)
