"""Open runs and demands as they look at a moment, for whoever knows what time it is."""

from __future__ import annotations

from fleet.model import Run, StartDemand
from scheduler.day.document import Carry, DayFacts
from scheduler.day.inputs import run_rules
from scheduler.rules import runs, starting
from scheduler.rules.signal import allowed_gaps


def close_open(carry: Carry, now: int, facts: DayFacts, later_s: int = 0) -> Run | None:
    """The run that is open in `carry`, as seen at `now`. later_s: its device keeps readings back
    for so long, so that no word for that time is no silence [s].

    end None: still running (its last on reading is within the allowed gap). Ended, observed:
    its off reading is in. Ended, uncertain: silent for longer than the allowed gap.
    None: no run is open.

    Gives: a record in UTC seconds [UTC s], or none. Definition.
    """
    if carry.runs.run is None:
        return None
    rules = run_rules(facts, allowed_gaps(facts.habit))
    return runs.as_seen(carry.runs.run, now, rules, later_s)


def open_demand(carry: Carry, now: int, facts: DayFacts) -> StartDemand | None:
    """The newest start demand that is open in `carry`, as seen at `now`; None: none is open.

    end `unknown` until proof comes; `failed` only where silence proves it: an on-change device
    whose cranking cycle is over would have told of a run, while its heartbeat is not missed.

    Gives: a record in UTC seconds [UTC s], or none. Definition.
    """
    if not carry.starts.open:
        return None
    gaps = allowed_gaps(facts.habit)
    quiet_s = now - max(carry.last_at or 0, carry.starts.open[-1].last_at)
    silence_proves = gaps.holds and quiet_s <= gaps.standing_s
    return starting.as_seen(carry.starts.open[-1], now, silence_proves=silence_proves)


def look_again_at(carry: Carry, facts: DayFacts, later_s: int = 0) -> int | None:
    """When the open run or demand of `carry` will look different without a new message.

    later_s: its device keeps readings back for so long [s].

    Gives: [UTC s], or none. Definition.
    """
    looks = [demand.look_again_at + later_s for demand in carry.starts.open]
    run = carry.runs.run
    if run is not None:
        gap_s = allowed_gaps(facts.habit).running_s + later_s
        ends = run.off_at is not None or run.stop_at is not None
        looks.append((run.off_at or run.last_on_at) if ends else run.last_on_at + gap_s + 1)
    return min(looks, default=None)
