"""Rows of the register for tests, and the moment at which they happen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.register import import_units

NOW = 1_795_590_060
"""2026-11-25T07:01:00Z, the moment of the example in docs/wire.md."""
TODAY = NOW // 86_400


def row(unit: str = "U1", **changes: Any) -> dict[str, Any]:
    """A row of the register with what is required, for `import_units`."""
    return {
        "customer": "Mill Farm",
        "site": "Mill",
        "time_zone": "Europe/Berlin",
        "unit": unit,
        "nominal_v": "230",
        "nominal_hz": "50",
        "running_signal": "ac_v",
        "running_on": "200",
        "service_plan": "air_spark",
        **changes,
    }


def take(reg: Registry, *rows: dict[str, Any], now: int = NOW) -> None:
    """Import rows that must all be right."""
    report = import_units(reg, rows, now, "office")
    assert report.ok, [str(problem) for problem in report.problems]


def write_turn(reg: Registry, turns: Sequence[UnitTurn], now: int) -> list[str]:
    """`unscoped.write_turn` by a writer that has just taken the shards."""
    hold = unscoped.take_shards(reg, {unscoped.shard_of(turn.unit) for turn in turns})
    return unscoped.write_turn(reg, turns, now, hold)
