"""The programs' own side of the registry; no Scope. Pages use `fleet.registry.lists`."""

from fleet.registry.base.faults import RegistryDown, RegistryFault
from fleet.registry.base.heartbeats import heartbeat, heartbeats
from fleet.registry.derived.days import UsageRow, area_usage, day_before, days, summaries
from fleet.registry.derived.rows import DayRow, UnitTouch, UnitTurn
from fleet.registry.derived.shards import Hold, Shard, shard_of, standing, take_shards
from fleet.registry.derived.touches import (
    backlog,
    due_looks,
    next_due_look,
    spread_touches,
    touched,
    touched_units,
)
from fleet.registry.derived.turn import write_turn
from fleet.registry.facts.intake import device_facts, facts_version, inbox_marks, pulse
from fleet.registry.facts.receipts import find_receipts, note_receipts
from fleet.registry.facts.rows import DeviceFacts, InboxMark, PulseBatch, UnitInputs
from fleet.registry.facts.units import events, taken_on, unit_inputs
from fleet.registry.told.episodes import open_episodes

__all__ = [
    "DayRow",
    "DeviceFacts",
    "Hold",
    "InboxMark",
    "PulseBatch",
    "RegistryDown",
    "RegistryFault",
    "Shard",
    "UnitInputs",
    "UnitTouch",
    "UnitTurn",
    "UsageRow",
    "area_usage",
    "backlog",
    "day_before",
    "days",
    "device_facts",
    "due_looks",
    "events",
    "facts_version",
    "find_receipts",
    "heartbeat",
    "heartbeats",
    "inbox_marks",
    "next_due_look",
    "note_receipts",
    "open_episodes",
    "pulse",
    "shard_of",
    "spread_touches",
    "standing",
    "summaries",
    "take_shards",
    "taken_on",
    "touched",
    "touched_units",
    "unit_inputs",
    "write_turn",
]
