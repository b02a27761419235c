"""What one point or event does to the open run."""

from __future__ import annotations

import msgspec
import numpy as np

from fleet.model import EdgeSeen, Run
from scheduler.rules.runs.run_rules import (
    HEARD_S,
    METER_RESOLUTIONS,
    METER_TOLERANCE,
    NEW_START,
    TURNING,
    TURNING_S,
    Candidate,
    OpenRun,
    RunRules,
    State,
)


def on(s: State, t: int, real: bool) -> None:
    """Take an on point at t [UTC s]: the run goes on, or one ends and another begins.

    After an off reading it goes on within the off hold time; after a silence only where no longer
    gap lies between, or the hour meter moved by its length. real: a reading, not a value held.

    Gives: nothing, it changes the state. Definition.
    """
    run = s.run
    if run is not None and run.off_at is not None:
        if t - run.off_at <= s.rules.hold_off_s:
            s.run = _grow(run, t, real, s.last_at)
            return
        close(s, run.off_at, "observed")
    elif run is not None:
        bridged = _within(s, run, t, on=True)
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
            hold_on(s, t)
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
        heard_at=None,
        turning_at=None,
        stood=False,
    )


def missing(s: State, t: int, kind: int) -> None:
    """Take what was known at t [UTC s] while the running signal was missing.

    kind: HEARD, TURNING or NEW_START.

    Gives: nothing, it changes the state. Definition.
    """
    run = s.run
    if run is None or run.off_at is not None or run.stop_at is not None or run.stood:
        return
    if kind == NEW_START:
        s.run = msgspec.structs.replace(run, stood=True)
    elif t - max(run.last_on_at, run.heard_at or 0) <= s.rules.running_gap_s:
        turning = kind == TURNING and (
            t - max(run.last_on_at, run.turning_at or 0) <= s.rules.missing_s
        )
        s.run = msgspec.structs.replace(
            run, heard_at=t, turning_at=t if turning else run.turning_at
        )


def off(s: State, t: int) -> None:
    """Take an off point at t [UTC s]: the tentative end of the open run, if no longer gap lies
    before it.

    After a longer gap the run ends at its last on reading, uncertain; an event that stopped it
    stands.

    Gives: nothing, it changes the state. Definition.
    """
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
        close(s, run.stop_at, "observed")
    elif bridged is None:
        _close_by_gap(s, run, t)
    else:
        s.run = msgspec.structs.replace(
            run,
            off_at=t,
            longest_gap_s=max(run.longest_gap_s, t - run.last_on_at),
            bridged=run.bridged or bridged,
        )


def started(s: State, t: int) -> None:
    """Take a `started` event at t [UTC s]: it sharpens the start of the run to come.

    A tentative end before it stands. Where no reading of the signal is in reach it is an on point
    of its own.

    Gives: nothing, it changes the state. Definition.
    """
    run = s.run
    if run is not None:
        tentative = run.off_at if run.off_at is not None else run.stop_at
        if tentative is not None:
            close(s, tentative, "observed")
        elif _within(s, run, t) is None:
            _close_by_gap(s, run, t)
        else:
            return
    if s.last_at is None or t - s.last_at > s.rules.standing_gap_s:
        _begin(s, t, False)
        s.last_at, s.last_on = t, True
    else:
        s.started_at = t


def stopped(s: State, t: int) -> None:
    """Take an event that stops the engine at t [UTC s]: the end of the open run, unless a later
    reading shows it turning.

    Without a run a `started` event before it made one that no reading saw.

    Gives: nothing, it changes the state. Definition.
    """
    run = s.run
    if run is None:
        if s.started_at is not None and t - s.started_at <= s.rules.running_gap_s:
            _begin(s, s.started_at, False)
            hold_on(s, t)
            if s.run is not None:
                close(s, t, "observed")
        s.started_at = None
        s.candidate = None
    elif run.off_at is None and run.stop_at is None:
        bridged = _within(s, run, t)
        if bridged is None:
            close(s, run.last_on_at, "gap", t)
            s.last_at, s.last_on = t, False
        else:
            s.run = msgspec.structs.replace(
                run,
                stop_at=t,
                longest_gap_s=max(run.longest_gap_s, t - run.last_on_at),
                bridged=run.bridged or bridged,
            )


def _begin(s: State, t: int, real: bool) -> None:
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
    hold_on(s, t)


def hold_on(s: State, t: int) -> None:
    """Open the run once its on readings have lasted for the on hold time.

    Gives: nothing, it changes the state at t [UTC s]. Definition.
    """
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


def _within(s: State, run: OpenRun, t: int, *, on: bool = False) -> bool | None:
    """False: no longer gap before t. True: a longer one, bridged by the meter. None: not.

    A signal that was missing while its device was heard is no gap, nor is a short one between two
    on readings.
    """
    last = max(run.last_on_at, run.stop_at or 0)
    if t - last <= s.rules.running_gap_s or _only_missing(s, run, t, on):
        return False
    return True if _moved(s, run.last_on_at, t) else None


def _only_missing(s: State, run: OpenRun, t: int, on: bool) -> bool:
    """The signal was missing, and nothing says that the engine stood meanwhile."""
    if run.stood or run.stop_at is not None:
        return False
    gap_s, length = s.rules.running_gap_s, t - run.last_on_at
    if on and length <= s.rules.missing_s:
        return True
    heard = run.heard_at is not None and t - run.heard_at <= gap_s
    turning = on and run.turning_at is not None and t - run.turning_at <= gap_s
    return heard and length <= (TURNING_S if turning else HEARD_S)


def _moved(s: State, last_on: int, t: int) -> bool:
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


def _close_by_gap(s: State, run: OpenRun, t: int) -> None:
    if run.stop_at is not None:
        close(s, run.stop_at, "observed")
    else:
        close(s, run.last_on_at, "gap", min(t, run.last_on_at + s.rules.running_gap_s))


def close(s: State, end: int, seen: EdgeSeen, latest: int | None = None) -> None:
    """End the open run at `end` [UTC s], as it was seen; latest: no later than this.

    Gives: nothing, it changes the state. Definition.
    """
    assert s.run is not None
    s.done.append(ended(s.run, end, seen, latest))
    s.run = None


def ended(run: OpenRun, end: int | None, seen: EdgeSeen, latest: int | None = None) -> Run:
    """The open run as a Run with this end (None: still going).

    Gives: a record, energy in kilowatt hours [kWh], bounds as `latest` says [UTC s]. Arithmetic.
    """
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


def as_seen(run: OpenRun, now: int, rules: RunRules, later_s: int = 0) -> Run:
    """The open run at `now`: still going; ended; or, after too long a silence, ended uncertain.

    later_s: its device keeps readings back for so long, which is no silence.

    Gives: a record in UTC seconds [UTC s]. Definition.
    """
    tentative = run.off_at if run.off_at is not None else run.stop_at
    if tentative is not None and now >= tentative:
        return ended(run, tentative, "observed")
    if now - run.last_on_at > rules.running_gap_s + later_s:
        return ended(run, run.last_on_at, "gap", run.last_on_at + rules.running_gap_s)
    return ended(run, None, "open")
