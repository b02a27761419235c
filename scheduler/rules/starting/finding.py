"""One day of start demands."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from scheduler.rules.starting.demand import Begun, Found, StartsCarry, State, Told, Watched
from scheduler.rules.starting.ending import drop_busy, outcomes, settle
from scheduler.rules.starting.grouping import absorb, group


def find(
    told: Told,
    begun: Sequence[Begun],
    busy: Sequence[tuple[int, int]],
    watched: Watched,
    cycle_s: int,
    margin_s: int,
    carry: StartsCarry,
) -> Found:
    """Join attempts, events and runs of one day into demands.

    begun: runs that began today. busy: [start, end] of runs, in which attempts are no demand.
    cycle_s: the unit's cranking cycle; margin_s: how long after it the habit lets a run show.

    Gives: records in UTC seconds [UTC s], volts [V] and seconds [s]. Common practice, no source.
    """
    reports = set(carry.reports) | ({"counter"} if len(told.counter_t) else set())
    names = {event.event for event in told.events}
    reports |= {name for name in ("crank", "failed_to_start", "started") if name in names}
    reports |= {"dip"} if told.dips else set()
    if not (told.rises or told.dips or told.events or begun or carry.open):
        return Found((), msgspec.structs.replace(carry, reports=tuple(sorted(reports))))
    state = State(
        cycle_s,
        margin_s,
        told,
        watched,
        reports,
        [d for d in carry.open if d.run is None],
        carry.answered_at,
        carry.failed_at,
    )
    again = [
        Begun(d.run, hand=d.hand, read_before=d.read_before)
        for d in carry.open
        if d.run is not None
    ]
    group(state)
    absorb(state, [b.run.start for b in again])
    outcomes(state, [*again, *begun])
    drop_busy(state, busy)
    settle(state)
    pending = sorted([*state.groups, *state.waiting], key=lambda d: (d.at, d.last_at))
    return Found(
        tuple(sorted(state.done, key=lambda d: (d.at, d.end, d.run_start or 0))),
        StartsCarry(
            reports=tuple(sorted(reports)),
            open=tuple(pending),
            answered_at=state.answered_at,
            failed_at=state.failed_at,
        ),
    )
