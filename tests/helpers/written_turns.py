"""What a turn writes of one unit."""

from __future__ import annotations

from typing import Any

from found import finding as made
from register_rows import NOW

from fleet.model import DueItem, EngineHours, Episode, Step, UnitSummary
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import DayRow, UnitTurn
from fleet.registry.told.rows import AlertChanges

FAILED = made("failed_start", severity="act_now", since=NOW, facts={"attempts": 3})


def summary(unit: str, **changes: Any) -> UnitSummary:
    known: dict[str, Any] = {
        "unit": unit,
        "at": NOW,
        "condition": "standing_by",
        "condition_since": NOW,
        "heard_at": NOW,
        "newest_at": NOW,
        "hours": EngineHours(hours_h=1.0, source="meter"),
    }
    return UnitSummary(**known | changes)


def turn(reg: Registry, unit: str, **changes: Any) -> UnitTurn:
    inputs = unscoped.unit_inputs(reg, unit)
    assert inputs is not None
    known: dict[str, Any] = {
        "unit": unit,
        "customer": inputs.customer.id,
        "assessment": b"{}",
        "look_again_at": NOW + 60,
        "summary": summary(unit),
        "facts_seq": inputs.facts_seq,
    }
    told = {n: changes.pop(n) for n in ("opened", "steps") if n in changes}
    return UnitTurn(**known | changes, alerts=AlertChanges(**told))


def due(unit: str, task: str = "oil_filter", **changes: Any) -> DueItem:
    known: dict[str, Any] = {
        "unit": unit,
        "task": task,
        "name": "Oil and filter",
        "state": "soon",
        "binds": "hours",
        "share": 0.9,
    }
    return DueItem(**known | changes)


def day(unit: str, number: int, doc: bytes = b"d", fingerprint: str = "f") -> DayRow:
    return DayRow(unit=unit, day=number, fingerprint=fingerprint, carry_in="c", doc=doc)


def raised(episode: str, n: int = 1, **changes: Any) -> Step:
    known: dict[str, Any] = {
        "episode": episode,
        "n": n,
        "at": NOW,
        "kind": "raised",
        "finding": FAILED,
    }
    return Step(**known | changes)


def episode(id: str, unit: str, *steps: Step) -> Episode:
    return Episode(
        id=id,
        subject=f"unit:{unit}",
        kind="failed_start",
        part="",
        severity="act_now",
        opened_at=NOW,
        finding=FAILED,
        steps=steps,
    )
