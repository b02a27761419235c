"""The programs' own side of the registry; no Scope. Pages use `fleet.registry.pages`."""

from fleet.registry.episodes import open_episodes
from fleet.registry.programs import heartbeat, heartbeats
from fleet.registry.shards import Hold, Shard, shard_of, standing, take_shards
from fleet.registry.types import (
    DayRow,
    DeviceFacts,
    InboxMark,
    PulseBatch,
    RegistryDown,
    RegistryFault,
    UnitInputs,
    UnitTouch,
    UnitTurn,
)
from fleet.registry.work.days import UsageRow, area_usage, day_before, days
from fleet.registry.work.intake import (
    device_facts,
    facts_version,
    inbox_marks,
    pulse,
)
from fleet.registry.work.receipts import find_receipts, note_receipts
from fleet.registry.work.touches import backlog, due_looks, spread_touches, touched_units
from fleet.registry.work.turn import write_turn
from fleet.registry.work.units import events, unit_inputs

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
    "note_receipts",
    "open_episodes",
    "pulse",
    "shard_of",
    "spread_touches",
    "standing",
    "take_shards",
    "touched_units",
    "unit_inputs",
    "write_turn",
]
