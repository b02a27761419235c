"""One day of runs from its running signal."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import msgspec
import numpy as np
from numpy.typing import NDArray

from scheduler.rules.runs import edges
from scheduler.rules.runs.run_rules import (
    HEARD,
    ON,
    STARTED,
    STOPPED,
    STOPS,
    Company,
    Found,
    Meter,
    RunRules,
    RunsCarry,
    State,
)


def find(
    t: NDArray[np.int64],
    on: NDArray[np.bool_],
    real: NDArray[np.bool_],
    events: Sequence[tuple[int, str]],
    until: int,
    rules: RunRules,
    meter: Meter | None,
    carry: RunsCarry,
    company: Company | None = None,
) -> Found:
    """Runs from signal points (t rising, on) and events (time, name) before `until` (UTC s).

    company: what else was known while the running signal was missing.

    A run still inside its off hold time at `until`, or without an off reading, stays open.

    real: False where an on-change device's value is held at another message's time.

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    t, kind, real = _merge(t, on, real, events)
    if company is not None and len(company.t):
        place = np.searchsorted(t, company.t, side="left")
        t = np.insert(t, place, company.t)
        kind = np.insert(kind, place, company.kind).astype(np.int8)
        real = np.insert(real, place, False)
    state = State(
        rules, meter, carry.last_at, carry.last_on, carry.run, carry.candidate, carry.started_at
    )
    for a, b in _stretches(t, kind, rules.running_gap_s):
        _point(state, int(t[a]), int(kind[a]), bool(real[a]))
        if b - a > 1:
            _stretch(state, t[a:b], real[a:b], on=kind[a] == ON)
    run = state.run
    if run is not None and run.off_at is not None and run.off_at + rules.hold_off_s < until:
        edges.close(state, run.off_at, "observed")
    return Found(
        tuple(state.done),
        tuple(state.begun),
        RunsCarry(
            last_at=state.last_at,
            last_on=state.last_on,
            run=state.run,
            candidate=state.candidate,
            started_at=state.started_at,
        ),
    )


def _merge(
    t: NDArray[np.int64],
    on: NDArray[np.bool_],
    real: NDArray[np.bool_],
    events: Sequence[tuple[int, str]],
) -> tuple[NDArray[np.int64], NDArray[np.int8], NDArray[np.bool_]]:
    """Signal points and start and stop events in one order; an event before its own second."""
    kind = on.astype(np.int8)
    stops = {(at, STOPPED) for at, name in events if name in STOPS}
    extra = sorted(stops | {(at, STARTED) for at, name in events if name == "started"})
    if not extra:
        return t, kind, real
    place = np.searchsorted(t, [at for at, _ in extra], side="left")
    return (
        np.insert(t, place, [at for at, _ in extra]),
        np.insert(kind, place, [k for _, k in extra]).astype(np.int8),
        np.insert(real, place, False),
    )


def _stretches(
    t: NDArray[np.int64], kind: NDArray[np.int8], running_gap_s: int
) -> list[tuple[int, int]]:
    """Index ranges of like points: all off, or all on without a longer gap, or one event."""
    if len(t) == 0:
        return []
    cut = kind[1:] != kind[:-1]
    cut |= kind[1:] >= STARTED
    cut |= (kind[1:] == ON) & (np.diff(t) > running_gap_s)
    cuts = [0, *(np.flatnonzero(cut) + 1).tolist(), len(t)]
    return list(pairwise(cuts))


def _stretch(s: State, t: NDArray[np.int64], real: NDArray[np.bool_], *, on: bool) -> None:
    """The points after the first of a stretch: nothing changes, a run grows."""
    last = int(t[-1])
    if on:
        seen, longest = int(real[1:].sum()), int(np.diff(t).max())
        if s.run is not None:
            s.run = msgspec.structs.replace(
                s.run,
                last_on_at=last,
                readings=s.run.readings + seen,
                longest_gap_s=max(s.run.longest_gap_s, longest),
                stop_at=None,
            )
        elif s.candidate is not None:
            s.candidate = msgspec.structs.replace(
                s.candidate,
                readings=s.candidate.readings + seen,
                longest_gap_s=max(s.candidate.longest_gap_s, longest),
            )
            edges.hold_on(s, last)
    elif s.started_at is not None and last - s.started_at > s.rules.hold_off_s:
        s.started_at = None
    s.last_at = last


def _point(s: State, t: int, kind: int, real: bool) -> None:
    if kind >= HEARD:
        edges.missing(s, t, kind)
    elif kind == STARTED:
        edges.started(s, t)
    elif kind == STOPPED:
        edges.stopped(s, t)
    else:
        if kind == ON:
            edges.on(s, t, real)
        else:
            edges.off(s, t)
        s.last_at, s.last_on = t, kind == ON
