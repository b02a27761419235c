"""When a device speaks: the moments of its readings, and the events it tells at once."""

from __future__ import annotations

from typing import Any

import numpy as np

from demo_fleet.machine.noise import Floats, Ints
from demo_fleet.machine.physics import Machine, crank_values, values
from demo_fleet.machine.plate import FOREVER

AFTER_START_S = 5
AFTER_STOP_S = 10
SAMPLE_S = 300
"""An on-change device looks this often while it stands."""
DEADBANDS = {
    "battery_v": 0.1,
    "charge_v": 0.2,
    "ac_v": 2.0,
    "frequency_hz": 0.2,
    "mains_v": 3.0,
    "run_hours_h": 0.1,
    "start_attempts": 1.0,
    "in_auto": 1.0,
    "fuel_pct": 1.0,
    "engine_temp_c": 3.0,
    "ambient_temp_c": 1.0,
    "load_kw": 2.0,
    "running": 1.0,
    "ac_l1_v": 2.0,
    "ac_l2_v": 2.0,
    "ac_l3_v": 2.0,
    "ac_l12_v": 2.0,
    "ac_l23_v": 2.0,
    "ac_l31_v": 2.0,
}
_NONE = np.empty(0, np.int64)


def readings(machine: Machine, start: int, end: int) -> tuple[Ints, dict[str, Floats]]:
    """Moments in [start, end) at which the device reports, and its values then.

    The same moments and values come out however a span is cut into parts.
    """
    end = min(end, machine.script.silent_from)
    if end <= start:
        return _NONE, {}
    if machine.reporter.mode == "on_change":
        return _on_change(machine, start, end)
    t = _times(machine, start, end)
    return t, values(machine, t)


def _times(machine: Machine, start: int, end: int) -> Ints:
    reporter = machine.reporter
    standing = _grid(reporter.phase_s, reporter.standing_s, start, end)
    if reporter.mode == "sleeping":
        return standing
    if end > reporter.fine_from:
        fine = _grid(reporter.phase_s, reporter.running_s, max(start, reporter.fine_from), end)
        standing = np.concatenate((standing, fine))
    return _with_runs(machine, standing, start, end)


def _grid(phase_s: int, step_s: int, start: int, end: int) -> Ints:
    first = start + (phase_s - start) % step_s
    return np.arange(first, end, step_s, dtype=np.int64)


def _with_runs(machine: Machine, standing: Ints, start: int, end: int) -> Ints:
    """The standing moments outside runs, and each minute of the runs with their two ends."""
    life, step = machine.life, machine.reporter.running_s
    low = int(np.searchsorted(life.end, start - AFTER_STOP_S, "left"))
    high = int(np.searchsorted(life.start, end, "left"))
    parts = []
    for a, b in zip(life.start[low:high].tolist(), life.end[low:high].tolist(), strict=True):
        standing = standing[(standing < a) | (standing > b + AFTER_STOP_S)]
        parts.append(np.arange(a + AFTER_START_S, b, step, dtype=np.int64))
        parts.append(np.array([b + AFTER_STOP_S], np.int64))
    t = np.unique(np.concatenate([standing, *parts]))
    return t[(t >= start) & (t < end)]


def _on_change(machine: Machine, start: int, end: int) -> tuple[Ints, dict[str, Floats]]:
    """Looks often, speaks when a value has moved by its step, or at the heartbeat."""
    reporter = machine.reporter
    from_ = start - 2 * SAMPLE_S - AFTER_STOP_S
    beats = _grid(reporter.phase_s, reporter.heartbeat_s, from_, end)
    looks = np.concatenate((_grid(reporter.phase_s, SAMPLE_S, from_, end), beats))
    t = _with_runs(machine, looks, from_, end)
    seen = values(machine, t, quiet=True)
    steps = {c: np.round(v / DEADBANDS[c]) for c, v in seen.items()}
    moved = np.zeros(len(t), bool)
    for step in steps.values():
        moved[1:] |= step[1:] != step[:-1]
    keep = (moved | np.isin(t, beats)) & (t >= start)
    return t[keep], {c: v[keep] for c, v in seen.items()}


def events(machine: Machine, start: int, end: int) -> list[dict[str, Any]]:
    """What the device tells at once in [start, end): dicts with at, event, and cause or values."""
    end = min(end, machine.script.silent_from)
    if not machine.reporter.events or end <= start:
        return []
    life, found = machine.life, []
    for demand in life.demands:
        if demand.at < end and (demand.end or demand.at) + 3600 >= start:
            found += _demand_events(machine, demand)
    if "mains_v" in machine.reporter.channels:
        found += [{"at": int(t), "event": "mains_lost"} for t in life.lost]
        found += [{"at": int(t), "event": "mains_back"} for t in life.back]
    if "in_auto" in machine.reporter.channels:
        found += [{"at": int(t), "event": "not_in_auto"} for t in life.manual[:, 0]]
        back = life.manual[:, 1]
        found += [{"at": int(t), "event": "in_auto"} for t in back[back < FOREVER]]
    return sorted((e for e in found if start <= e["at"] < end), key=lambda e: e["at"])


def _demand_events(machine: Machine, demand: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    weak = machine.script.weak_battery and demand.start is None
    if demand.why != "hand":
        for at, crank_s in demand.cranks:
            read = crank_values(machine, at, crank_s, weak)
            found.append({"at": at, "event": "crank", "values": read})
    if demand.start is None:
        last, crank_s = demand.cranks[-1]
        tries = len(demand.cranks)
        cause = f"{tries} attempts, engine did not fire"
        found.append({"at": last + round(crank_s) + 2, "event": "failed_to_start", "cause": cause})
    else:
        found.append({"at": demand.start, "event": "started"})
        found.append({"at": demand.end, "event": "stopped"})
    return found
