"""Jobs: what may happen to one next, how due work becomes one, what finishing one writes. Pure."""

from __future__ import annotations

from scheduler.work_orders.contract import RENEWAL_DAYS, renewal_near, visits_behind
from scheduler.work_orders.due import (
    HORIZON_DAYS,
    MOVED_DAYS,
    OWN_AFTER,
    WIDE_SIGMAS,
    due_day,
    enters,
    from_finding,
    job_of,
    outcome,
    own_minutes,
    suggests,
)
from scheduler.work_orders.finishing import Finished, Told, ToldTask, finished, is_battery, to_order
from scheduler.work_orders.life import (
    FIELDS,
    SAME,
    STEPS,
    WANTS_REASON,
    NotPossible,
    advance,
    is_open,
    opened,
)
from scheduler.work_orders.meter import Doubt, doubt
from scheduler.work_orders.reconcile import reconcile

__all__ = [
    "FIELDS",
    "HORIZON_DAYS",
    "MOVED_DAYS",
    "OWN_AFTER",
    "RENEWAL_DAYS",
    "SAME",
    "STEPS",
    "WANTS_REASON",
    "WIDE_SIGMAS",
    "Doubt",
    "Finished",
    "NotPossible",
    "Told",
    "ToldTask",
    "advance",
    "doubt",
    "due_day",
    "enters",
    "finished",
    "from_finding",
    "is_battery",
    "is_open",
    "job_of",
    "opened",
    "outcome",
    "own_minutes",
    "reconcile",
    "renewal_near",
    "suggests",
    "to_order",
    "visits_behind",
]
