"""One turn of watching: touched units and due looks, each computed, then written in small groups.

Everything goes this one way: live, late, replayed and corrected data. A unit that fails does not
stop the others; it is tried again later and later, and its touches stay.
"""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass, field
from itertools import zip_longest

from fleet.defaults import CLOCK_AHEAD_S
from fleet.history import History
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryDown
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.facts.rows import UnitInputs
from fleet.store import StoreDown
from scheduler.assess import assess, encode
from scheduler.turns import alerting, outages, uplink
from scheduler.turns.memory import Memory, Turn, prior_in, remember
from scheduler.turns.recompute import Readings, recompute

log = logging.getLogger("hourhand.scheduler")

SPREAD = 500
SPREAD_SHARE = 0.3
"""Touches of devices made touches of units at once, for at most this share of a turn. A size of a
batch."""
UNITS = 60
"""Units of one turn. A size of a batch."""
GROUP = 8
GROUP_S = 0.4
"""A turn's results are written after this many units or seconds, whichever comes first. A size of
a batch."""
DAYS_A_TURN = 120
"""Days of one unit taken in one turn, newest first; the others keep their touch. A size of a
batch."""

TOGETHER = "(several, outages)"
"""Stands for a unit where rules on several of them failed."""

Touch = tuple[int, bool, int]


@dataclass(frozen=True, slots=True)
class TurnContext:
    """What every step of a turn needs. now: UTC seconds. until: monotonic seconds at which nothing
    new is begun. memory: what this process remembers between turns. turn: what this one did so far.
    """

    registry: Registry
    history: History
    now: int
    memory: Memory = field(default_factory=Memory)
    until: float = float("inf")
    turn: Turn = field(default_factory=Turn)


def watch(registry: Registry, history: History, now: int, budget_s: float, memory: Memory) -> Turn:
    """One turn, bounded by `budget_s` seconds (at least one unit is always done).

    Raises RegistryDown or StoreDown when registry or store are away: nothing is lost, the touches
    stay.
    """
    try:
        return _watch(registry, history, now, budget_s, memory)
    except RegistryDown:
        memory.day_cache.forget()
        raise


def _watch(registry: Registry, history: History, now: int, budget_s: float, memory: Memory) -> Turn:
    began = time.monotonic()
    context = TurnContext(registry, history, now, memory, began + budget_s)
    turn = context.turn
    while time.monotonic() - began < budget_s * SPREAD_SHARE:
        done = unscoped.spread_touches(registry, SPREAD)
        turn.spread += done
        if done < SPREAD:
            break
    memory.day_cache.begin(registry)
    tried: set[str] = set()
    while True:
        waiting = _waiting(context, tried)
        turn.more = _batch(context, waiting)
        tried.update(unit for unit, _ in waiting)
        if turn.more or len(waiting) < UNITS:
            break
    _together(context)
    turn.seconds = time.monotonic() - began
    return turn


def _together(context: TurnContext) -> None:
    """After the units of a turn: what concerns several of them, and who has not answered."""
    registry, memory, now = context.registry, context.memory, context.now
    try:
        office = memory.office.now(registry, now)
        context.turn.outages = outages.look(registry, memory.places, office, now)
        uplink.look(registry, memory.places, office, now)
        outages.escalate(registry, memory.places, office, now)
        memory.troubles.pop(TOGETHER, None)
    except (RegistryDown, StoreDown):
        raise
    except Exception as fault:
        context.turn.failed += 1
        remember(memory, TOGETHER, fault, now)


def _batch(context: TurnContext, waiting: list[tuple[str, tuple[Touch, ...]]]) -> bool:
    """Compute and write these units in small groups; True when the time ran out before the end."""
    turn = context.turn
    group: list[UnitTurn] = []
    written = time.monotonic()
    for unit, touches in waiting:
        if turn.units and time.monotonic() >= context.until:
            _write(context, group)
            return True
        if not context.memory.day_cache.holds(
            unit
        ):  # taken by another in this turn: who leads is asked anew
            turn.units += 1
            turn.refused += 1
            continue
        result = _one(context, unit, touches)
        if result is not None:
            group.append(result)
        if len(group) >= GROUP or (group and time.monotonic() - written >= GROUP_S):
            _write(context, group)
            group, written = [], time.monotonic()
    _write(context, group)
    return False


def work_through(
    registry: Registry, history: History, now: int, memory: Memory, budget_s: float = 10.0
) -> Turn:
    """Turns until nothing that can be done is waiting; for tests and `--once`."""
    total = Turn()
    while True:
        turn = watch(registry, history, now, budget_s, memory)
        for name in ("spread", "units", "days", "refused", "failed", "opened", "seconds"):
            setattr(total, name, getattr(total, name) + getattr(turn, name))
        total.behind_s = max(total.behind_s, turn.behind_s)
        if turn.units == turn.refused + turn.failed and not turn.spread:
            return total


def _waiting(context: TurnContext, tried: set[str]) -> list[tuple[str, tuple[Touch, ...]]]:
    """Units to do now: urgent touches, then other touches and due looks in turn.

    Units in trouble wait for their time and then come last; those tried in this turn are done.
    """
    registry, now, troubles = context.registry, context.now, context.memory.troubles
    held = {unit for unit, trouble in troubles.items() if trouble.again_at > now} | tried
    touched = [t for t in unscoped.touched_units(registry, UNITS + len(held)) if t.unit not in held]
    looks = [u for u in unscoped.due_looks(registry, now, UNITS + len(held)) if u not in held]
    found = {touch.unit: touch.days for touch in touched if touch.priority}
    rest = [(touch.unit, touch.days) for touch in touched if not touch.priority]
    for pair in zip_longest(((unit, ()) for unit in looks), rest):
        for item in pair:
            if item is not None and (item[1] or item[0] not in found):
                found[item[0]] = item[1]
    return sorted(found.items(), key=lambda item: item[0] in troubles)


def _one(context: TurnContext, unit: str, touches: tuple[Touch, ...]) -> UnitTurn | None:
    """One unit computed; None where it cannot be judged now."""
    memory, turn, now = context.memory, context.turn, context.now
    turn.units += 1
    try:
        inputs = unscoped.unit_inputs(context.registry, unit)
        if inputs is None:
            raise LookupError("touched, but not in the register")
        behind = max((p.heard_at or 0 for p in inputs.pulses), default=0) - now
        if behind > CLOCK_AHEAD_S:
            turn.behind_s = max(turn.behind_s, behind)
            turn.failed += 1
            return None
        result = compute(context, inputs, touches)
        memory.places.note(inputs, result.summary)
    except (RegistryDown, StoreDown):
        raise
    except Exception as fault:
        memory.day_cache.failed(unit)
        turn.failed += 1
        remember(memory, unit, fault, now)
        return None
    turn.days += len(result.days)
    turn.opened += len(result.alerts.opened)
    return result


def compute(context: TurnContext, inputs: UnitInputs, touches: tuple[Touch, ...]) -> UnitTurn:
    """Days, verdict and alert steps of one unit, written by nobody yet."""
    registry, memory, now = context.registry, context.memory, context.now
    taken, unit = _newest(touches), inputs.unit.id
    prior = prior_in(registry, inputs.unit.area, now, memory)
    office = memory.office.now(registry, now)
    result = recompute(
        Readings(registry, context.history.store, inputs),
        [(day, onward) for day, onward, _ in taken],
        now // 86_400,
        memory.day_cache.of(unit),
    )
    memory.day_cache.computed(unit, result.year)
    verdict = assess(inputs, result.days, now, prior, memory.triggers)
    judged = alerting.Judged(verdict.summary, verdict.findings)
    alerts = alerting.of_unit(registry, inputs, judged, now, office)
    again = verdict.look_again_at
    return UnitTurn(
        unit=unit,
        customer=inputs.customer.id,
        touches=taken,
        days=result.rows,
        drop_days=result.drops,
        assessment=encode(verdict),
        look_again_at=min(again, alerts.look_again_at or again),
        summary=verdict.summary,
        due=list(verdict.due),
        alerts=alerts.changes,
        facts_seq=inputs.facts_seq,
    )


def _newest(touches: tuple[Touch, ...]) -> tuple[Touch, ...]:
    """As many touches as one turn takes: the newest days, or all that an onward touch covers."""
    first = min((day for day, onward, _ in touches if onward), default=None)
    rest = sorted(touches, reverse=True)
    if first is None:
        return tuple(sorted(rest[:DAYS_A_TURN]))
    return tuple(sorted(t for i, t in enumerate(rest) if t[0] >= first or i < DAYS_A_TURN))


def _write(context: TurnContext, group: list[UnitTurn]) -> None:
    """Write a group in one transaction; if that is refused outright, each unit by itself."""
    if not group:
        return
    memory, turn, now = context.memory, context.turn, context.now
    told = any(one.alerts.notices for one in group)
    try:
        if told:
            memory.fault("before_told")
        refused = unscoped.write_turn(context.registry, group, now, memory.day_cache.hold)
        if told:
            memory.fault("told")
        turn.refused += len(refused)
        for one in group:
            memory.day_cache.settle(one.unit, one.unit not in refused, now)
            memory.troubles.pop(one.unit, None)
        memory.day_cache.settled()
    except RegistryDown:
        raise
    except Exception as fault:
        if len(group) > 1:
            for one in group:
                _write(context, [one])
            return
        turn.failed += 1
        memory.day_cache.failed(group[0].unit)
        remember(memory, group[0].unit, fault, now)
