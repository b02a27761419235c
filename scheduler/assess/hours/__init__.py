"""Engine hours of a unit, now and at any past moment, from its days and people's anchors."""

from __future__ import annotations

from scheduler.assess.hours.anchors import anchors
from scheduler.assess.hours.check import CROSS_CHECK_S, CrossCheck, cross_check
from scheduler.assess.hours.gains import Gains
from scheduler.assess.hours.ledger import Ledger, ledger
from scheduler.assess.hours.running import all_runs, run_end

__all__ = [
    "CROSS_CHECK_S",
    "CrossCheck",
    "Gains",
    "Ledger",
    "all_runs",
    "anchors",
    "cross_check",
    "ledger",
    "run_end",
]
