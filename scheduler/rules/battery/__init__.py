"""The starter battery: at rest, on charge, cranking; its charger, its trend
(docs/engineering/battery.md)."""

from scheduler.rules.battery.battery_day import (
    AfterRun,
    BatteryCarry,
    BatteryDay,
    Count,
    Rest,
    WatchedBattery,
)
from scheduler.rules.battery.charger import (
    CRANKS_FROM,
    FELL_V,
    DayVolts,
    Left,
    allowed_days,
    days_left,
    learn,
)
from scheduler.rules.battery.cranking import Crank, afresh, fall, measured, weekly, worn
from scheduler.rules.battery.cranking import look as crank_look
from scheduler.rules.battery.nominal import other_nominal
from scheduler.rules.battery.state import (
    BatterySeen,
    BatteryTrend,
    ChargeLook,
    CrankLook,
    RestLook,
    Verdict,
)
from scheduler.rules.battery.tables import (
    REST_S,
    charge_pct,
    crank_limit_v,
    over_limit_v,
    rested_v,
    scale,
)
from scheduler.rules.battery.verdict import CHARGERS, HALF_PCT, Failed, decide, failed_cell
from scheduler.rules.battery.watch import OVER_S, UNDER_S, watch

__all__ = [
    "CHARGERS",
    "CRANKS_FROM",
    "FELL_V",
    "HALF_PCT",
    "OVER_S",
    "REST_S",
    "UNDER_S",
    "AfterRun",
    "BatteryCarry",
    "BatteryDay",
    "BatterySeen",
    "BatteryTrend",
    "ChargeLook",
    "Count",
    "Crank",
    "CrankLook",
    "DayVolts",
    "Failed",
    "Left",
    "Rest",
    "RestLook",
    "Verdict",
    "WatchedBattery",
    "afresh",
    "allowed_days",
    "charge_pct",
    "crank_limit_v",
    "crank_look",
    "days_left",
    "decide",
    "failed_cell",
    "fall",
    "learn",
    "measured",
    "other_nominal",
    "over_limit_v",
    "rested_v",
    "scale",
    "watch",
    "weekly",
    "worn",
]
