"""Reads for pages and the API. Every function takes a Scope, held in SQL.

What a Scope does not see does not exist: an unknown unit and another customer's are both None.
"""

from fleet.registry.derived.rows import DayRow
from fleet.registry.facts.rows import (
    DeviceFacts,
    ListedRecord,
    QuarantineCount,
    QuarantineRow,
    UnitInputs,
    UnsureSpell,
)
from fleet.registry.lists.fleet import (
    areas,
    changes_since,
    counts,
    customers,
    devices,
    due,
    episodes,
    latest_change,
    units,
)
from fleet.registry.lists.rows import Counts, HealthFacts, StartCount
from fleet.registry.lists.service import health, quarantine, quarantine_counts, refused
from fleet.registry.lists.starts import start_counts
from fleet.registry.lists.unit import (
    SetRow,
    assessment,
    days,
    events,
    inputs,
    records,
    sets_of,
    unit,
    units_named,
    unsure_spells,
)

__all__ = [
    "Counts",
    "DayRow",
    "DeviceFacts",
    "HealthFacts",
    "ListedRecord",
    "QuarantineCount",
    "QuarantineRow",
    "SetRow",
    "StartCount",
    "UnitInputs",
    "UnsureSpell",
    "areas",
    "assessment",
    "changes_since",
    "counts",
    "customers",
    "days",
    "devices",
    "due",
    "episodes",
    "events",
    "health",
    "inputs",
    "latest_change",
    "quarantine",
    "quarantine_counts",
    "records",
    "refused",
    "sets_of",
    "start_counts",
    "unit",
    "units",
    "units_named",
    "unsure_spells",
]
