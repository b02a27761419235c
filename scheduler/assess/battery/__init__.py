"""Battery of one unit: rest, charge and cranking of its days, and what is found of them."""

from __future__ import annotations

from scheduler.assess.battery.assessment import look

__all__ = ["look"]
