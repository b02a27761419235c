"""What another reader finds in a calendar feed."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from icalendar import Component


def moment_of(event: Component, name: str) -> datetime:
    """The moment a property of an event tells (RFC 5545, 3.3.5)."""
    told: Any = event[name]
    assert isinstance(told.dt, datetime)
    return told.dt


def number_of(event: Component, name: str) -> int:
    """The whole number a property of an event tells (RFC 5545, 3.3.8)."""
    told = event[name]
    assert isinstance(told, int)
    return told
