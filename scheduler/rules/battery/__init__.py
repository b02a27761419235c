"""The starter battery: at rest, on charge, cranking; its charger, its trend (ENGINEERING 7)."""

from scheduler.rules.battery.seen import (
    BatterySeen,
    BatteryTrend,
    ChargeLook,
    CrankLook,
    RestLook,
    Verdict,
)
from scheduler.rules.battery.terms import (
    AfterRun,
    BatteryCarry,
    BatteryDay,
    Count,
    Rest,
    WatchedBattery,
)
from scheduler.rules.battery.watch import OVER_S, UNDER_S, watch

__all__ = [
    "OVER_S", "UNDER_S",
    "AfterRun", "BatteryCarry", "BatteryDay", "BatterySeen", "BatteryTrend", "ChargeLook", "Count",
    "CrankLook", "Rest", "RestLook", "Verdict", "WatchedBattery", "watch",
]  # fmt: skip
