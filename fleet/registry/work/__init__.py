"""The programs' own side of the registry; no Scope. Pages use `fleet.registry.pages`."""

from fleet.registry.programs import heartbeat, heartbeats
from fleet.registry.types import (
    DayRow,
    DaysMark,
    DeviceFacts,
    InboxMark,
    PulseBatch,
    RegistryDown,
    RegistryFault,
    UnitInputs,
    UnitTouch,
    UnitTurn,
)
from fleet.registry.work.intake import (
    device_facts,
    facts_version,
    inbox_marks,
    pulse,
)
from fleet.registry.work.receipts import find_receipts, note_receipts
from fleet.registry.work.touches import due_looks, spread_touches, touched_units
from fleet.registry.work.turn import days_mark, write_turn
from fleet.registry.work.units import (
    UsageRow,
    area_usage,
    day_before,
    days,
    events,
    open_episodes,
    unit_inputs,
)

__all__ = [
    "DayRow",
    "DaysMark",
    "DeviceFacts",
    "InboxMark",
    "PulseBatch",
    "RegistryDown",
    "RegistryFault",
    "UnitInputs",
    "UnitTouch",
    "UnitTurn",
    "UsageRow",
    "area_usage",
    "day_before",
    "days",
    "days_mark",
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
    "spread_touches",
    "touched_units",
    "unit_inputs",
    "write_turn",
]
