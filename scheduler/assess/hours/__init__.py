"""Engine hours of a unit, now and at any past moment, from its days and people's readings."""

from __future__ import annotations

from scheduler.assess.hours.gains import Gains, all_runs, run_end
from scheduler.assess.hours.ledger import Ledger, ledger
from scheduler.assess.hours.metering import CROSS_CHECK_S, CrossCheck, cross_check
from scheduler.assess.hours.readings import MeterReadings, meter_readings, reading_moments

__all__ = [
    "CROSS_CHECK_S",
    "CrossCheck",
    "Gains",
    "Ledger",
    "MeterReadings",
    "all_runs",
    "cross_check",
    "ledger",
    "meter_readings",
    "reading_moments",
    "run_end",
]
