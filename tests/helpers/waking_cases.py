"""One finding at one site, and whether it wakes somebody."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from found import finding as made

from fleet.model import Finding, Severity
from scheduler import alarms
from scheduler.alarms import AlertNews, Quiet

ZONE = "Europe/London"


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(ZONE)).timestamp())


NIGHT, DAY = at("2026-11-04T03:00"), at("2026-11-04T11:00")


FACTS: dict[str, dict[str, Any]] = {
    "failed_start": {"attempts": 3},
    "fuel_low": {"level_pct": 9.0},
    "volts_standing": {"volts": 230.0, "nominal_v": 230.0},
    "open_neutral": {"nominal_v": 120.0},
    "over_voltage": {"volts": 271.0, "nominal_v": 230.0},
}


def case(
    kind: str = "failed_start", severity: Severity = "act_now", now: int = NIGHT, **more: Any
) -> AlertNews:
    """A case whose alert was raised at `now`."""
    finding = made(
        kind,
        severity=severity,
        since=now - 30,
        facts=FACTS.get(kind, {}) | more.pop("facts", {}),
    )
    episode = alarms.opening("unit:u1", finding, now, more.pop("quiet", Quiet()))
    known: dict[str, Any] = {"place": "Alder House", "zone": ZONE, "unit": "u1", "customer": "c1"}
    return AlertNews(episode=episode, steps=episode.steps, **known | more)


def later(before: AlertNews, finding: Finding | None, now: int, **more: Any) -> AlertNews:
    """The same case after another look."""
    steps = alarms.proceed(before.episode, finding, now)
    fields = {f: getattr(before, f) for f in before.__struct_fields__}
    return AlertNews(
        **fields | {"episode": alarms.grown(before.episode, steps), "steps": tuple(steps)} | more
    )
