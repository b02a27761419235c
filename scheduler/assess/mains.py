"""The mains at the site of one unit now, and its outages, from its days."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.model import Finding, Habit, Mains, MainsNow
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.condition import Now
from scheduler.assess.last_known import covers, newest
from scheduler.day import Day
from scheduler.rules import mains
from scheduler.rules.mains import Edge, Outage

KEPT_S = 400 * 86_400
"""How far back an assessment keeps outages. Definition."""


def look(
    inputs: UnitInputs, days: Sequence[Day], at: Now, limit_s: int, reports: Habit
) -> tuple[MainsNow, tuple[Outage, ...], tuple[Finding, ...]]:
    """(the mains now, outages of 400 days, findings) at `at.now`; limit_s: its silence limit."""
    state = now_state(inputs, days, at, limit_s, reports)
    edges = edges_of(days, at.now - KEPT_S)
    found = mains.finding(
        state, at.now, _volts(inputs, at.now), at.mains_v or inputs.unit.nominal_v
    )
    return state, mains.outages(edges, state), () if found is None else (found,)


def now_state(
    inputs: UnitInputs, days: Sequence[Day], at: Now, limit_s: int, reports: Habit
) -> MainsNow:
    """What is known of the mains at the site, by its own channel or events.

    A report older than the silence limit is stale, and so is all a silent device said: the state
    is unknown then, `last` stays. What an event said, or an on-change device, holds while the
    device it came from is heard.

    Gives: a record in UTC seconds [UTC s]. Definition.
    """
    spell = days[-1].carry.mains if days else None
    if spell is None:
        return MainsNow()
    last: Mains = "present" if spell.value else "absent"
    held = spell.by_event or reports.mode == "on_change"
    fresh = at.now - spell.at <= limit_s or (held and spell.at >= _fitted_from(inputs, at.now))
    return MainsNow(
        state=last if fresh and at.silence.fitted and not at.silent else "unknown",
        since=spell.since,
        since_earliest=spell.earliest,
        at=spell.at,
        last=last,
    )


def edges_of(days: Sequence[Day], since: int) -> list[Edge]:
    """Every change of the mains seen after `since` (UTC seconds), in time order.

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    return [
        ("lost" if edge.kind == "lost" else "back", edge.earliest, edge.latest)
        for day in days
        if (day.day + 1) * 86_400 > since
        for edge in day.mains
    ]


def _fitted_from(inputs: UnitInputs, now: int) -> int:
    """When the newest device that speaks for it now was fitted; 0: from the beginning."""
    current = [f for f in inputs.fittings if covers(f.from_at, f.to_at, now)]
    return max((f.from_at for f in current if f.from_at is not None), default=0)


def _volts(inputs: UnitInputs, now: int) -> float | None:
    value = newest(inputs, "mains_v", now)
    return None if value is None else value.value
