"""What a day gives to the rules of volts and hertz, and the delays it leaves open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.model import Series, SignalChannel, no_series
from scheduler.rules.supply import out
from scheduler.rules.supply.supply_record import Delay, OutSpell, Plate, Trouble

CHANNELS = (
    "ac_v",
    "ac_l1_v",
    "ac_l2_v",
    "ac_l3_v",
    "ac_l12_v",
    "ac_l23_v",
    "ac_l31_v",
    "frequency_hz",
    "load_kw",
    "mains_v",
    "running",
    "speed_rpm",
    "oil_pressure_kpa",
)
"""What is looked at, besides the channels of the running signal."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Day:
    """What a day gives to judge.

    series: plausible values, by circuit. mains_v: nominal of the mains as it is read [V]. runs: [start, end) of those that reach into the day, rising, with the
    temperature at their start [degC] where known. parts: of the running signal. signs: moments of
    cranks and starts. over_voltage: moments at which the device said so. Gaps in seconds.
    heard: times of all messages of an on-change device, whose values hold from one to the next;
    volts on a standing set and dangers are told by real readings only.
    """

    plate: Plate
    series: Mapping[str, Series]
    runs: Sequence[tuple[int, int]]
    temps_c: Sequence[float | None]
    parts: Sequence[SignalChannel]
    signs: Sequence[int]
    over_voltage: Sequence[int]
    standing_s: int
    running_s: int
    heard: Ints | None = None
    mains_v: float | None = None

    @property
    def hertz(self) -> Series:
        """The hertz that are a governor's: an inverter's are electronics."""
        found = no_series() if self.plate.inverter else self.series.get("frequency_hz")
        return found or no_series()

    @property
    def load(self) -> Series:
        return self.series.get("load_kw") or no_series()

    def circuits(self, *, filled_forward: bool) -> dict[str, Series]:
        """The set's own circuits that were read. filled_forward: an on-change device's values go on."""
        found = {n: s for n, s in self.series.items() if n.startswith("ac_") and len(s)}
        if filled_forward and self.heard is not None:
            return {name: hold(one, self.heard) for name, one in found.items()}
        return found


@dataclass(slots=True)
class Delays:
    """The open delays of the day so far, and those that ended."""

    open: dict[str, Delay]
    ended: list[OutSpell]

    def walk(
        self, kind: Trouble, t: Ints, v: Floats, limits: out.Limits, circuit: str = ""
    ) -> None:
        """circuit: where each circuit has a delay of its own, since none ends another's."""
        name = key(kind, circuit)
        good = np.isfinite(v)
        if not good.all():
            t, v = t[good], v[good]
        after, ended = out.walk(kind, t, v, limits, self.open.get(name))
        self.ended.extend(ended)
        self.open.pop(name, None)
        if after is not None:
            self.open[name] = after


def key(kind: Trouble, circuit: str = "") -> str:
    """The name of a delay: its trouble, and where it has one its circuit.

    Gives: a word. Definition.
    """
    return f"{kind} {circuit}" if circuit else kind


def hold(one: Series, heard: Ints) -> Series:
    """The value in force at every message from the first reading on.

    heard: times of all messages [UTC s]; a reading's value goes on until the next reading.

    Gives: readings in the channel's unit. Definition.
    """
    if not len(one):
        return one
    t = np.union1d(heard[heard >= one.t[0]], one.t)
    return Series(t, one.v[np.searchsorted(one.t, t, side="right") - 1])
