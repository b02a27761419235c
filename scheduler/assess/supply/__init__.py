"""Volts and hertz of one unit: bands, the last run, usual range, drift, and what is wrong."""

from __future__ import annotations

from scheduler.assess.supply.assessment import look

__all__ = [
    "look",
]
