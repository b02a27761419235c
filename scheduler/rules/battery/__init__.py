"""The starter battery: at rest, on charge, cranking; its charger, its trend (ENGINEERING 7)."""

from scheduler.rules.battery.seen import (
    BatterySeen,
    BatteryTrend,
    ChargeLook,
    CrankLook,
    RestLook,
    Verdict,
)

__all__ = ["BatterySeen", "BatteryTrend", "ChargeLook", "CrankLook", "RestLook", "Verdict"]
