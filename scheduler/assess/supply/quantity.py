"""Volts or hertz: channel, band, history, and whether the reading was ever checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import epochs
from scheduler.assess.last_known import covers
from scheduler.rules import supply
from scheduler.rules.supply import Band, Plate, Quantity, RunPoint

ENOUGH = 3
"""Settled samples of a run below which it is not judged: "too few samples". Common practice, no
source."""
NOMINAL_OFF = 0.12
"""A wrong nominal is one that every run missed by this share. Common practice, no source."""
PARTS: dict[Quantity, tuple[str, ...]] = {
    "volts": ("regulator", "avr", "alternator", "capacitor"),
    "hertz": ("governor", "carburet", "inject", "actuator", "stepper"),
}
"""A changed part whose name holds one of these starts the history of that quantity afresh."""


@dataclass(frozen=True, slots=True)
class History:
    """What is known of one quantity: its channel, band, runs, and where its history begins anew."""

    quantity: Quantity
    channel: str
    band: Band
    points: tuple[RunPoint, ...]
    checked: bool
    moments: tuple[int, ...]

    def value(self, point: RunPoint) -> float | None:
        return point.volts if self.quantity == "volts" else point.hertz

    def n(self, point: RunPoint) -> int:
        return point.volts_n if self.quantity == "volts" else point.hertz_n

    @property
    def since(self) -> int:
        """When it last began anew: another device, calibration or part; 0: never."""
        return self.moments[-1] if self.moments else 0

    @property
    def own(self) -> tuple[RunPoint, ...]:
        """The runs since then: what is said of its past is said of these."""
        return tuple(p for p in self.points if p.start >= self.since)

    @property
    def newest(self) -> tuple[RunPoint, ...]:
        """The newest run and those like it before: of one device, calibration and part."""
        last = self.points[-1].start if self.points else 0
        begun = max((at for at in self.moments if at <= last), default=0)
        return tuple(p for p in self.points if p.start >= begun)


def history_of(
    quantity: Quantity,
    channel: str,
    band: Band,
    inputs: UnitInputs,
    points: Sequence[RunPoint],
    now: int,
) -> History:
    """What is known of one quantity: its runs, the moments from which it reads otherwise (another
    device, calibration or governing part), and whether a meter was on it.

    Hertz are counted, not scaled: a meter on the volts of the same device vouches for them.

    Gives: a record in volts [V] or hertz [Hz]. Definition.
    """
    fitted = {f.id for f in inputs.fittings if covers(f.from_at, f.to_at, now)}
    ac = [c for c in inputs.calibrations if c.from_at <= now and c.channel.startswith("ac_")]
    mine = [c for c in inputs.calibrations if c.channel == channel and c.from_at <= now]
    vouch = [*mine, *ac] if quantity == "hertz" else mine
    moments = epochs.cuts(inputs, channel, now)
    moments += epochs.parts_changed(inputs, PARTS[quantity], now)
    kept = tuple(p for p in points if (p.volts if quantity == "volts" else p.hertz) is not None)
    return History(
        quantity,
        channel,
        band,
        kept,
        any(c.fitting in fitted for c in vouch),
        tuple(sorted(set(moments))),
    )


def wrong_volts(history: History) -> float | None:
    """The nominal that all its newest runs ran at instead; None where none or not all did.

    Gives: [V], or none. Common practice, no source.
    """
    nominal = history.band.nominal
    at = [p.volts for p in history.newest if p.volts is not None]
    near = {supply.other_nominal(volts, history.band) for volts in at}
    if any(abs(volts - nominal) < NOMINAL_OFF * nominal for volts in at):
        return None
    if len(near) != 1 or not any(p.volts_n >= 2 * ENOUGH for p in history.newest):
        return None
    other = near.pop()
    if other is None or abs(other - nominal) < NOMINAL_OFF * nominal:
        return None
    return other


def wrong_hertz(history: History, plate: Plate) -> float | None:
    """The nominal that all its newest runs ran at instead [Hz]; None where none or not all did.

    Gives: [Hz], or none. Common practice, no source.
    """
    near = {
        supply.other_hertz(p.hertz, plate.nominal_hz) for p in history.newest if p.hertz is not None
    }
    return near.pop() if len(near) == 1 else None
