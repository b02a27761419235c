"""Runs: the intervals in which the engine turned under its own power (ENGINEERING 2).

Convention: a run begins at its first on reading. It ends at the first off reading when that came
within the allowed gap (observed), else at its last on reading (uncertain; `end_latest` bounds
it: the next reading, but no later than the allowed gap, since a running set would have spoken).
Nothing is counted across a longer gap, unless the hour meter moved by the gap's length.

Events sharpen, they do not overrule. `started` moves the start back to its own second when the
signal came on within the allowed gap of it; `stopped`, `shutdown` and `emergency_stop` set the
end unless a later reading still shows the engine turning. Where no reading of the signal is in
reach (a device that only sends events), they stand as on and off points of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import EdgeSeen, Run, RunWhy

Confidence = Literal["high", "medium", "low"]

METER_TOLERANCE = 0.10
METER_RESOLUTIONS = 2
"""The meter bridges a gap when it moved by its length within 10 % or two resolutions."""

OFF, ON, STARTED, STOPPED = 0, 1, 2, 3
STOPS = frozenset({"stopped", "shutdown", "emergency_stop"})


class RunRules(msgspec.Struct, frozen=True, kw_only=True):
    """Lengths in seconds: allowed gaps while standing and running, hold times on and off."""

    standing_gap_s: int
    running_gap_s: int
    hold_on_s: int = 0
    hold_off_s: int = 30

    def __post_init__(self) -> None:
        if self.standing_gap_s <= 0 or self.running_gap_s <= 0:
            raise ValueError("an allowed gap must be longer than 0 s")
        if self.hold_on_s < 0 or self.hold_off_s < 0:
            raise ValueError("a hold time cannot be below 0 s")


class OpenRun(msgspec.Struct, frozen=True, kw_only=True):
    """A run whose end is not yet known. off_at, stop_at: a tentative end by reading, by event.

    energy_ws: watt seconds so far; load_at, load_kw: the newest load reading.
    """

    start: int
    start_seen: EdgeSeen
    start_earliest: int | None = None
    last_on_at: int
    off_at: int | None = None
    stop_at: int | None = None
    longest_gap_s: int = 0
    bridged: bool = False
    readings: int = 0
    energy_ws: int | None = None
    peak_load_kw: float | None = None
    load_at: int | None = None
    load_kw: float = 0.0
    why: RunWhy = "unknown"
    confidence: Confidence = "low"


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """On readings that have not yet lasted for the on hold time."""

    start: int
    seen: EdgeSeen
    earliest: int | None
    readings: int = 0
    longest_gap_s: int = 0


class RunsCarry(msgspec.Struct, frozen=True, kw_only=True):
    """Open state: the newest signal point, the open run, and a `started` event not yet seen on."""

    last_at: int | None = None
    last_on: bool = False
    run: OpenRun | None = None
    candidate: Candidate | None = None
    started_at: int | None = None


@dataclass(frozen=True, slots=True)
class Meter:
    """Accepted hour meter readings: t UTC seconds rising, h [h] gained since the first of them."""

    t: NDArray[np.int64]
    h: NDArray[np.float64]
    resolution_h: float


@dataclass(slots=True)
class _State:
    rules: RunRules
    meter: Meter | None
    last_at: int | None
    last_on: bool
    run: OpenRun | None
    candidate: Candidate | None
    started_at: int | None
    done: list[Run] = field(default_factory=list)
    begun: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Found:
    """Runs whose end became known, starts of the runs that began, and the open state."""

    runs: tuple[Run, ...]
    begun: tuple[int, ...]
    carry: RunsCarry


def find(
    t: NDArray[np.int64],
    on: NDArray[np.bool_],
    real: NDArray[np.bool_],
    events: Sequence[tuple[int, str]],
    until: int,
    rules: RunRules,
    meter: Meter | None,
    carry: RunsCarry,
) -> Found:
    """Runs from signal points (t rising, on) and events (time, name) before `until` (UTC s).

    A run still inside its off hold time at `until`, or without an off reading, stays open.
    """
    t, kind, real = _merge(t, on, real, events)
    state = _State(
        rules, meter, carry.last_at, carry.last_on, carry.run, carry.candidate, carry.started_at
    )
    for a, b in _stretches(t, kind, rules.running_gap_s):
        _point(state, int(t[a]), int(kind[a]), bool(real[a]))
        if b - a > 1:
            _stretch(state, t[a:b], real[a:b], on=kind[a] == ON)
    run = state.run
    if run is not None and run.off_at is not None and run.off_at + rules.hold_off_s < until:
        _close(state, run.off_at, "observed")
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
    edges = [0, *(np.flatnonzero(cut) + 1).tolist(), len(t)]
    return list(pairwise(edges))


def _stretch(s: _State, t: NDArray[np.int64], real: NDArray[np.bool_], *, on: bool) -> None:
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
            _hold_on(s, last)
    elif s.started_at is not None and last - s.started_at > s.rules.hold_off_s:
        s.started_at = None
    s.last_at = last


def _point(s: _State, t: int, kind: int, real: bool) -> None:
    if kind == STARTED:
        _started(s, t)
    elif kind == STOPPED:
        _stopped(s, t)
    else:
        if kind == ON:
            _on(s, t, real)
        else:
            _off(s, t)
        s.last_at, s.last_on = t, kind == ON


def _on(s: _State, t: int, real: bool) -> None:
    run = s.run
    if run is not None and run.off_at is not None:
        if t - run.off_at <= s.rules.hold_off_s:
            s.run = _grow(run, t, real, s.last_at)
            return
        _close(s, run.off_at, "observed")
    elif run is not None:
        bridged = _within(s, run, t)
        if bridged is not None:
            s.run = _grow(run, t, real, s.last_at, bridged=bridged)
            return
        _close_by_gap(s, run, t)
    if s.candidate is not None:
        silent = t - (s.last_at or t)
        if silent <= s.rules.running_gap_s:
            s.candidate = msgspec.structs.replace(
                s.candidate,
                readings=s.candidate.readings + real,
                longest_gap_s=max(s.candidate.longest_gap_s, silent),
            )
            _hold_on(s, t)
            return
    _begin(s, t, real)


def _grow(
    run: OpenRun, t: int, real: bool, before: int | None, *, bridged: bool = False
) -> OpenRun:
    return msgspec.structs.replace(
        run,
        last_on_at=t,
        off_at=None,
        stop_at=run.stop_at if run.stop_at == t else None,
        readings=run.readings + real,
        longest_gap_s=max(run.longest_gap_s, t - max(run.last_on_at, before or 0)),
        bridged=run.bridged or bridged,
    )


def _off(s: _State, t: int) -> None:
    run = s.run
    if run is None:
        s.candidate = None
        if s.started_at is not None and t - s.started_at > s.rules.hold_off_s:
            s.started_at = None
        return
    if run.off_at is not None:
        return
    bridged = _within(s, run, t) if run.stop_at is None else False
    if run.stop_at is not None:
        _close(s, run.stop_at, "observed")
    elif bridged is None:
        _close_by_gap(s, run, t)
    else:
        s.run = msgspec.structs.replace(
            run,
            off_at=t,
            longest_gap_s=max(run.longest_gap_s, t - run.last_on_at),
            bridged=run.bridged or bridged,
        )


def _started(s: _State, t: int) -> None:
    run = s.run
    if run is not None:
        tentative = run.off_at if run.off_at is not None else run.stop_at
        if tentative is not None:
            _close(s, tentative, "observed")
        elif _within(s, run, t) is None:
            _close_by_gap(s, run, t)
        else:
            return
    if s.last_at is None or t - s.last_at > s.rules.standing_gap_s:
        _begin(s, t, False)
        s.last_at, s.last_on = t, True
    else:
        s.started_at = t


def _stopped(s: _State, t: int) -> None:
    run = s.run
    if run is None:
        if s.started_at is not None and t - s.started_at <= s.rules.running_gap_s:
            _begin(s, s.started_at, False)
            _hold_on(s, t)
            if s.run is not None:
                _close(s, t, "observed")
        s.started_at = None
        s.candidate = None
    elif run.off_at is None and run.stop_at is None:
        bridged = _within(s, run, t)
        if bridged is None:
            _close(s, run.last_on_at, "gap", t)
            s.last_at, s.last_on = t, False
        else:
            s.run = msgspec.structs.replace(
                run,
                stop_at=t,
                longest_gap_s=max(run.longest_gap_s, t - run.last_on_at),
                bridged=run.bridged or bridged,
            )


def _begin(s: _State, t: int, real: bool) -> None:
    before, rules = s.last_at, s.rules
    near = before is not None and not s.last_on and t - before <= rules.standing_gap_s
    start, seen = t, "observed" if near else "gap"
    if s.started_at is not None and t - s.started_at <= rules.running_gap_s:
        start, seen = s.started_at, "observed"
    s.candidate = Candidate(
        start=start,
        seen=seen,  # type: ignore[arg-type]
        earliest=None if before is None else min(before, start),
        readings=int(real),
        longest_gap_s=t - start,
    )
    s.started_at = None
    _hold_on(s, t)


def _hold_on(s: _State, t: int) -> None:
    """Open the run once its on readings have lasted for the on hold time."""
    c = s.candidate
    if c is None or t - c.start < s.rules.hold_on_s:
        return
    s.run = OpenRun(
        start=c.start,
        start_seen=c.seen,
        start_earliest=c.earliest,
        last_on_at=t,
        readings=c.readings,
        longest_gap_s=c.longest_gap_s,
    )
    s.candidate = None
    s.begun.append(c.start)


def _within(s: _State, run: OpenRun, t: int) -> bool | None:
    """False: no longer gap before t. True: a longer one, bridged by the meter. None: not."""
    last = max(run.last_on_at, run.stop_at or 0)
    if t - last <= s.rules.running_gap_s:
        return False
    return True if _moved(s, run.last_on_at, t) else None


def _moved(s: _State, last_on: int, t: int) -> bool:
    """The hour meter moved by the length of the gap (within 10 % or two resolutions).

    Compared over its own readings nearest to both edges. A meter that did not move at all
    bridges nothing, however short the gap.
    """
    m, slack = s.meter, s.rules.running_gap_s
    if m is None or len(m.t) < 2:
        return False
    a = int(np.searchsorted(m.t, min(last_on + slack, t - 1), side="right")) - 1
    b = int(np.searchsorted(m.t, t, side="left"))
    if a < 0 or b >= len(m.t) or m.t[b] > t + slack or m.t[a] < last_on - slack:
        return False
    length_h = float(m.t[b] - m.t[a]) / 3600
    rise_h = float(m.h[b] - m.h[a])
    allowed = max(METER_TOLERANCE * length_h, METER_RESOLUTIONS * m.resolution_h)
    return rise_h > 0 and abs(rise_h - length_h) <= allowed + 1e-9


def _close_by_gap(s: _State, run: OpenRun, t: int) -> None:
    if run.stop_at is not None:
        _close(s, run.stop_at, "observed")
    else:
        _close(s, run.last_on_at, "gap", min(t, run.last_on_at + s.rules.running_gap_s))


def _close(s: _State, end: int, seen: EdgeSeen, latest: int | None = None) -> None:
    assert s.run is not None
    s.done.append(ended(s.run, end, seen, latest))
    s.run = None


def ended(run: OpenRun, end: int | None, seen: EdgeSeen, latest: int | None = None) -> Run:
    """The open run as a Run with this end (None: still going)."""
    energy = run.energy_ws
    return Run(
        start=run.start,
        end=end,
        start_seen=run.start_seen,
        end_seen=seen,
        start_earliest=run.start_earliest,
        end_latest=latest,
        longest_gap_s=run.longest_gap_s,
        bridged_by_meter=run.bridged,
        readings=run.readings,
        last_on_at=run.last_on_at,
        why=run.why,
        confidence=run.confidence,
        energy_kwh=None if energy is None else round(energy / 3_600_000, 3),
        peak_load_kw=run.peak_load_kw,
    )


def as_seen(run: OpenRun, now: int, rules: RunRules) -> Run:
    """The open run at `now`: still going; ended; or, after too long a silence, ended uncertain."""
    tentative = run.off_at if run.off_at is not None else run.stop_at
    if tentative is not None and now >= tentative:
        return ended(run, tentative, "observed")
    if now - run.last_on_at > rules.running_gap_s:
        return ended(run, run.last_on_at, "gap", run.last_on_at + rules.running_gap_s)
    return ended(run, None, "open")
