"""How demands end: a run, a failure, or what could not be seen."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np

from fleet.model import DemandEnd, DeviceEvent, StartDemand
from scheduler.rules.starting.demand import (
    LAG_S,
    METER_PROVES_H,
    MISSABLE_RUN_S,
    Begun,
    OpenDemand,
    State,
    Watched,
)
from scheduler.rules.starting.grouping import merged, take


def outcomes(s: State, begun: Sequence[Begun]) -> None:
    """Runs and `failed_to_start` events, in order of time, take the attempts that led to them.

    Gives: nothing, it changes the state. Definition.
    """
    order: list[tuple[int, int, DeviceEvent | Begun]] = [(e.at, 0, e) for e in _failures(s)]
    order += [(b.run.start, 1, b) for b in begun]
    order.sort(key=lambda o: (o[0], o[1]))
    for k, (_, _, outcome) in enumerate(order):
        others = [other for other, _, _ in order[k + 1 :]]
        if isinstance(outcome, Begun):
            _began(s, outcome, others)
        else:
            _failed(s, outcome, others)


def _failures(s: State) -> list[DeviceEvent]:
    """`failed_to_start` events, without those that repeat one of the same cranking cycle."""
    tried = [e.at for e in s.told.events if e.event == "crank"] + [at for at, _, _ in s.told.dips]
    kept = []
    for event in sorted(s.told.events, key=lambda e: e.at):
        if event.event != "failed_to_start":
            continue
        last, s.failed_at = s.failed_at, event.at
        again = last is not None and event.at - last <= s.cycle_s + LAG_S
        if not again or any((last or 0) < at <= event.at for at in tried):
            kept.append(event)
    return kept


def _failed(s: State, event: DeviceEvent, others: Sequence[int]) -> None:
    group = take(s, event.at - s.cycle_s - LAG_S, event.at, others, share=10**6)
    s.answered_at = event.at if s.answered_at is None else max(s.answered_at, event.at)
    volts, secs = s.told.cranked.get(event.at, (None, None))
    last = OpenDemand(at=0, earliest=0, last_at=0, crank_min_v=volts, crank_s=secs)
    crank = merged([last, group] if group else [last])
    s.done.append(
        StartDemand(
            at=min(group.at, event.at) if group else event.at,
            attempts=group.attempts if group else 0,
            end="failed",
            crank_s=crank.crank_s,
            crank_min_v=crank.crank_min_v,
            cause=event.cause,
            seen_by=("failed_to_start", *(group.seen_by if group else ())),
            learned_at=event.at,
        )
    )


def _began(s: State, begun: Begun, others: Sequence[int]) -> None:
    run = begun.run
    earliest = run.start if run.start_earliest is None else run.start_earliest
    group = take(s, earliest - s.cycle_s, run.start, others, share=1)
    if group is None:
        group = OpenDemand(at=run.start, earliest=earliest, last_at=run.start)
    group = msgspec.structs.replace(group, at=min(group.at, run.start), run=run, hand=begun.hand)
    started = [e.at for e in s.told.events if e.event == "started"]
    if group.attempts:
        _answer(s, group, "by_hand" if begun.hand else "started", max(run.start, group.last_at))
    elif begun.hand:
        _answer(s, group, "by_hand", run.start)
    elif "counter" in s.reports:
        _by_counter(s, group, begun)
    elif s.reports & {"crank", "dip"}:
        _answer(s, group, "unknown" if run.start_seen == "gap" else "by_hand", run.start)
    elif any(earliest - LAG_S <= at <= run.start + LAG_S for at in started):
        _answer(s, group, "started", run.start, ("started",))
    else:
        _answer(s, group, "not_seen", run.start)


def _by_counter(s: State, group: OpenDemand, begun: Begun) -> None:
    """No attempt was counted for this run: was the counter read on both sides of its start?"""
    run, first = begun.run, s.told.counter_from
    read_before = begun.read_before or (first is not None and first < run.start)
    known = run.start + LAG_S if run.end is None else min(run.start + LAG_S, run.end)
    place = int(np.searchsorted(s.told.counter_t, known, side="left"))
    if not read_before:
        _answer(s, group, "not_seen", run.start)
    elif place < len(s.told.counter_t):
        _answer(s, group, "by_hand", int(s.told.counter_t[place]))
    else:
        look = known + s.margin_s
        s.waiting.append(msgspec.structs.replace(group, read_before=True, look_again_at=look))


def _answer(
    s: State, group: OpenDemand, end: DemandEnd, learned_at: int, also: tuple[str, ...] = ()
) -> None:
    moment = group.run.start if group.run else group.last_at
    s.answered_at = moment if s.answered_at is None else max(s.answered_at, moment)
    s.done.append(
        StartDemand(
            at=group.at,
            attempts=group.attempts or (1 if "started" in also else 0),
            end=end,
            run_start=group.run.start if group.run else None,
            crank_s=group.crank_s,
            crank_min_v=group.crank_min_v,
            seen_by=(*group.seen_by, *(("in_auto",) if group.hand else ()), *also),
            learned_at=learned_at,
        )
    )


def drop_busy(s: State, busy: Sequence[tuple[int, int]]) -> None:
    """Attempts while the engine turns are no demand (a starter that engaged on a running set).

    Gives: nothing, it changes the state; busy: [start, end] of runs [UTC s]. Definition.
    """
    s.groups = [
        g for g in s.groups if not any(a + LAG_S < g.earliest and g.last_at <= b for a, b in busy)
    ]


def settle(s: State) -> None:
    """Answer what can be answered now; keep the rest open with the time to look again.

    Failed: an off point after the cycle, and no stretch on the way that hides a run of two minutes,
    or an hour meter of 0.1 h that did not move; started where it moved; else unknown.

    Gives: nothing, it changes the state. Common practice, no source.
    """
    groups, s.groups = s.groups, []
    for group in groups:
        over = group.last_at + s.cycle_s
        place = int(np.searchsorted(s.watched.t, over, side="left"))
        if place < len(s.watched.t):
            end, also = _verdict(s.watched, _watched(s.watched, group, place))
            _answer(s, group, end, int(s.watched.t[place]), also)
        else:
            seen = _watched(s.watched, group, place - 1)
            s.groups.append(msgspec.structs.replace(seen, look_again_at=over + s.margin_s))


def _watched(w: Watched, group: OpenDemand, place: int) -> OpenDemand:
    """The attempts with what the day's points from `earliest` to t[place] hid and the meter gained.

    An attempt counted in the last report of a day may lie anywhere since the report before it: the
    stretch up to midnight is judged with the one after it.
    """
    first = int(np.searchsorted(w.t, group.earliest, side="right")) - 1
    points = w.t[max(first, 0) : place + 1]
    if first < 0 and w.before_at is not None:
        points = np.insert(points, 0, w.before_at)
    steps = np.diff(points)
    if len(steps) == 0:
        unseen = w.gap_s + 1 if len(points) and first < 0 and w.before_at is None else 0
        return msgspec.structs.replace(group, hidden_s=max(group.hidden_s, unseen))
    longest = int(steps.max())
    hidden = longest if longest > w.gap_s else min(longest, w.hides_s)
    rise = _meter_over(w, int(points[0]), int(points[-1]))
    known = rise is not None and group.risen_h is not None
    return msgspec.structs.replace(
        group,
        hidden_s=max(group.hidden_s, hidden),
        risen_h=(group.risen_h or 0.0) + (rise or 0.0) if known else None,
    )


def _verdict(w: Watched, group: OpenDemand) -> tuple[DemandEnd, tuple[str, ...]]:
    """(end, seen also by) of attempts after which only off points were seen."""
    if group.hidden_s <= MISSABLE_RUN_S:
        return "failed", ()
    rise = group.risen_h
    if rise is None or (rise <= 0 and w.resolution_h > METER_PROVES_H + 1e-9):
        return "unknown", ()
    return ("started" if rise > 0 else "failed"), ("run_hours_h",)


def _meter_over(w: Watched, start: int, end: int) -> float | None:
    """Hours the meter gained between its readings around [start, end]; None: not read there."""
    a = int(np.searchsorted(w.meter_t, start, side="right")) - 1
    b = int(np.searchsorted(w.meter_t, end, side="left"))
    if a < 0 or b >= len(w.meter_t):
        return None
    return float(w.meter_h[b] - w.meter_h[a])


def as_seen(demand: OpenDemand, now: int, *, silence_proves: bool) -> StartDemand:
    """An open demand at `now`: failed when its cycle is over and silence proves it.

    Not where a run could have stayed hidden before: a count that came with the first word after a
    long silence.

    Gives: a record in UTC seconds [UTC s]. Definition.
    """
    hid = demand.hidden_s > MISSABLE_RUN_S
    over = demand.run is None and silence_proves and not hid and now >= demand.look_again_at
    return StartDemand(
        at=demand.at,
        attempts=demand.attempts,
        end="failed" if over else "unknown",
        run_start=demand.run.start if demand.run else None,
        crank_s=demand.crank_s,
        crank_min_v=demand.crank_min_v,
        seen_by=demand.seen_by,
        learned_at=demand.look_again_at if over else None,
    )
