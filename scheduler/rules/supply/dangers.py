"""Dead and wild circuits, the open neutral: what destroys or darkens what hangs on a running set."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np

from fleet.model import Series
from scheduler.rules.supply import circuits, out, settled
from scheduler.rules.supply.day import Day, Delays
from scheduler.rules.supply.leads import on_bus
from scheduler.rules.supply.standing import electric
from scheduler.rules.supply.supply_record import Delay

CIRCUIT_CLEAR = 1.02
"""A dead circuit is back 2 % above its limit (docs/engineering/defaults.md#delays). Common
practice, no source."""

IDLE_LOW_SHARE = 0.4
"""On a set that idles down one circuit may be read at governed speed and the next at idle, where it
gives a good half: dead is what is under this. Common practice, no source."""


def look(
    day: Day, volts: Series, system: str, delays: Delays, *, told: bool
) -> tuple[circuits.CircuitVolts | None, str]:
    """(the circuits of a set with several; how it is connected), the delays walked.

    volts: of the set, as its nominal names them; system: how it was known to be connected; told:
    whether anything but its own output tells running from standing.

    Gives: a record in volts [V], or none, and a word. Common practice, no source.
    """
    spans = day.runs if told or not system else [*day.runs, *_unseen(day, system)]
    spans = sorted(spans)
    several = early = None
    if spans:
        several = _dead(day, spans, system, delays)
        early = _circuit_volts(
            day, spans, [settled.SETTLE_S] * len(spans), system, filled_forward=False
        )
    if early is not None:
        apart = circuits.open_neutral(day.plate, early)
        delays.walk("open_neutral", apart.t, apart.v, out.over(1.0, on_s=0))
    if day.runs or day.over_voltage or early is not None:
        _over_voltage(day, volts, early, delays)
    return several, (several.system if several is not None else "") or system


def _circuit_volts(
    day: Day,
    spans: Sequence[tuple[int, int]],
    settle: Sequence[int],
    system: str,
    *,
    filled_forward: bool,
) -> circuits.CircuitVolts | None:
    """The circuits of a set with several, in its runs. filled_forward: an on-change device's values go on."""
    real = day.circuits(filled_forward=False)
    if len(real) < 2:
        return None
    goes_on = filled_forward and day.heard is not None
    series = day.circuits(filled_forward=True) if goes_on else real
    return circuits.circuit_volts(
        day.plate, series, spans, settle, day.running_s, system, real if goes_on else None
    )


def _dead(
    day: Day, spans: Sequence[tuple[int, int]], system: str, delays: Delays
) -> circuits.CircuitVolts | None:
    """A circuit far under its nominal while another gives volts, by settled samples."""
    temps = dict(zip(day.runs, day.temps_c, strict=True))
    settle = [settled.settle_s(day.plate, temps.get(span)) for span in spans]
    found = _circuit_volts(day, spans, settle, system, filled_forward=True)
    if found is None:
        return None
    found = circuits.governed(day.plate, found, day.hertz, day.load, day.running_s)
    share, live = found.share, found.highest >= circuits.LOW_SHARE
    low = IDLE_LOW_SHARE if day.plate.idle_down else circuits.LOW_SHARE
    limits = out.Limits(low, np.inf, low * CIRCUIT_CLEAR, np.inf)
    for name, row, read in zip(found.names, share, found.read, strict=True):
        delays.walk("circuit", found.t[live & read], row[live & read], limits, name)
    return found


def _unseen(day: Day, system: str) -> list[tuple[int, int]]:
    """Stretches in which circuits were alive that no run is known of, since nothing but the volts of
    another circuit would tell of it."""
    if not all(electric(part.channel) for part in day.parts):
        return []
    series = {
        n: s for n, s in day.circuits(filled_forward=True).items() if not on_bus(day.plate, n)
    }
    t = np.unique(np.concatenate([one.t for one in series.values()])) if series else None
    if t is None or not len(t):
        return []
    whole = [(int(t[0]), int(t[-1]) + 1)]
    found = circuits.circuit_volts(day.plate, series, whole, [0], day.running_s, system)
    if found is None:
        return []
    inside = settled.in_runs(found.t, day.runs, [0] * len(day.runs)) >= 0
    on = (found.highest >= circuits.LOW_SHARE) & ~inside
    edge = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8)))
    return [
        (int(found.t[a]), int(found.t[b - 1]) + 1)
        for a, b in zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True)
    ]


def _over_voltage(
    day: Day, volts: Series, several: circuits.CircuitVolts | None, delays: Delays
) -> None:
    """Each circuit from 30 s after the start on, and the device's own word at its time."""
    run = settled.in_runs(volts.t, day.runs, [settled.SETTLE_S] * len(day.runs)) >= 0
    highest = Series(volts.t[run], volts.v[run] / day.plate.nominal_v)
    limits, standing = (
        out.over(circuits.HIGH_SHARE, on_s=0),
        out.over(circuits.standing_share(day.plate)),
    )
    if several is not None:
        for name, row, read in zip(several.names, several.share, several.read, strict=True):
            delays.walk("over_voltage", several.t[read], row[read], limits, name)
            delays.walk("high", several.t[read], row[read], standing, name)
        if not day.over_voltage and "over_voltage" not in delays.open:
            return
        highest = _higher(highest, Series(several.t, several.highest))
    t, share = highest.t, highest.v
    for at in sorted(day.over_voltage):
        before = t < at
        delays.walk("over_voltage", t[before], share[before], limits)
        delays.open["over_voltage"] = _told(at, delays.open.get("over_voltage"))
        t, share = t[~before], share[~before]
    delays.walk("over_voltage", t, share, limits)


def _told(at: int, before: Delay | None) -> Delay:
    """A device's own word needs no second sample; a newer one keeps the older beginning."""
    if before is None:
        return Delay(since=at, met_at=at, last_at=at)
    return msgspec.structs.replace(
        before,
        met_at=at if before.met_at is None else before.met_at,
        last_at=max(at, before.last_at),
        back_at=None,
        back_n=0,
    )


def _higher(one: Series, two: Series) -> Series:
    """The higher of two series at each time of either."""
    t, v = np.concatenate([one.t, two.t]), np.concatenate([one.v, two.v])
    order = np.lexsort((v, t))
    t, v = t[order], v[order]
    last = np.append(t[1:] != t[:-1], True) if len(t) else np.zeros(0, np.bool_)
    return Series(t[last], v[last])
