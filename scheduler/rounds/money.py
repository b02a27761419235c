"""Money as every part of the planner counts it: whole ten-thousandths of the currency."""

from __future__ import annotations

from scheduler.rounds.model import Economics

UNIT = 10_000
"""Money units per unit of currency: costs per metre and per second must be whole numbers.
Definition."""


def money(amount: float) -> int:
    """Currency to money units."""
    return round(amount * UNIT)


def per_metre(economics: Economics) -> int:
    """Money units a metre driven."""
    return round(economics.km * UNIT / 1000)


def per_second(economics: Economics) -> int:
    """Money units a second of a technician."""
    return round(economics.hour * UNIT / 3600)
