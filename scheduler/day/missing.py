"""What else was known while the running signal was missing (docs/engineering/runs.md#missing)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fleet.channels import AC_VOLTS
from scheduler.day.inputs import DayInputs
from scheduler.rules.runs import HEARD, NEW_START, TURNING, TURNING_S, Company
from scheduler.rules.signal import Trace
from scheduler.rules.starting import Told

MADE_SHARE = 0.4
CHARGE_SHARE = 0.75
LEAST_HZ, LEAST_RPM = 25.0, 500.0
"""Another channel has the engine turning: 0.4 of the nominal volts made (line to neutral of a wye is
0.58 of them, a leg of a split phase half), a charging output of three quarters of the battery's volts, 25 Hz, 500 1/min (no engine idles
below). Common practice, no source."""
STOOD_SHARE = 0.5
"""It stood where one that had it turning falls below half of that. Common practice, no source."""


def company(g: DayInputs, trace: Trace, what: Told) -> Company | None:
    """What was known at each reading of the day in which a running set's signal was missing.

    Looked at are stretches longer than the allowed gap after an on reading. what: attempts as the
    device told of them: one in such a stretch is a new start.

    Gives: moments [UTC s], each a word. Common practice, no source.
    """
    if g.gaps.holds or len(g.heard) == 0:
        return None
    stretches = _stretches(g, trace)
    if not stretches:
        return None
    t: list[int] = []
    kind: list[int] = []
    for since, until in stretches:
        inside = (g.heard > since) & (g.heard < min(until, since + TURNING_S))
        at = g.heard[inside]
        says = _kinds(g, at, since)
        for tried in _tried(what, since, until):
            place = int(np.searchsorted(at, tried))
            at, says = np.insert(at, place, tried), np.insert(says, place, NEW_START)
        t += at.tolist()
        kind += says.tolist()
    return Company(np.array(t, np.int64), np.array(kind, np.int8))


def _stretches(g: DayInputs, trace: Trace) -> list[tuple[int, int]]:
    """(last on reading, next reading of the signal or the day's end), where longer than allowed."""
    before = g.carry.runs.run
    since = before.last_on_at if before is not None and before.off_at is None else None
    edges = np.append(trace.t, g.end)
    long = np.flatnonzero(trace.on & (np.diff(edges) > g.gaps.running_s))
    found = [(int(edges[k]), int(edges[k + 1])) for k in long.tolist()]
    if since is not None and int(edges[0]) - since > g.gaps.running_s:
        found.insert(0, (since, int(edges[0])))
    return [(a, b) for a, b in found if g.heard[-1] > a]


def _kinds(g: DayInputs, at: NDArray[np.int64], since: int) -> NDArray[np.int8]:
    """HEARD, TURNING or NEW_START of each moment, by the channels beside the running signal."""
    says = np.full(len(at), HEARD, np.int8)
    own = {g.facts.signal.first.channel}
    if g.facts.signal.second is not None:
        own.add(g.facts.signal.second.channel)
    before = g.carry.runs.run
    turned = before is not None and before.turning_at is not None and since < g.start
    for name, least in _least(g).items():
        if name in own or name not in g.series:
            continue
        one = g.of(name)
        near = one.v[(one.t <= since) & (one.t >= since - g.gaps.running_s)]
        if not turned and (len(near) == 0 or near[-1] < least):
            continue
        place = np.searchsorted(one.t, at)
        have = place < len(one)
        have[have] = one.t[place[have]] == at[have]
        v = np.full(len(at), np.nan)
        v[have] = one.v[place[have]]
        says[v >= least] = np.maximum(says[v >= least], TURNING)
        if len(near):
            says[v < STOOD_SHARE * least] = NEW_START
    return says


def _least(g: DayInputs) -> dict[str, float]:
    """Each channel that may have the engine turning, and from which value on."""
    volts = sorted(name for name in AC_VOLTS if name != "mains_v")
    found = dict.fromkeys(volts, MADE_SHARE * g.facts.nominal_v)
    found |= {"frequency_hz": LEAST_HZ, "speed_rpm": LEAST_RPM}
    return found | {"charge_v": CHARGE_SHARE * g.facts.battery_v}


def _tried(what: Told, since: int, until: int) -> list[int]:
    """Attempts that lie in a stretch for certain: counted, told, or read as a dip."""
    found = [at for earliest, at, _ in what.rises if since <= earliest and at <= until]
    found += [at for at, *_ in what.dips if since < at <= until]
    found += [
        e.at
        for e in what.events
        if e.event in ("crank", "started", "failed_to_start") and since < e.at <= until
    ]
    return sorted(set(found))
