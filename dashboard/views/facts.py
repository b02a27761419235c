"""Facts of findings and records as the interface gives them. Pure."""

from __future__ import annotations

from fleet.calendar import utc_text
from fleet.model.telemetry import Facts

MOMENTS = frozenset({"at", "since", "from", "to", "opened", "closed"})


def facts_out(facts: Facts) -> Facts:
    """Facts with their moments (`at`, `since`, names ending in `_at`) as ISO 8601 UTC."""
    return {
        name: utc_text(value) if _moment(name) and isinstance(value, int) else value
        for name, value in facts.items()
    }


def _moment(name: str) -> bool:
    return name in MOMENTS or name.endswith("_at")
