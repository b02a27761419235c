"""What the findings of volts and hertz are made of, and which troubles are still open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fleet.registry.types import UnitInputs
from scheduler.assess.findings import ANSWERS
from scheduler.assess.supply.quantity import Of
from scheduler.day import Day
from scheduler.rules.supply import Delay, Plate, RunPoint, SupplySeen

DANGERS = frozenset({"over_voltage", "open_neutral", "circuit", "no_output", "standing", "stray"})


@dataclass(frozen=True, slots=True)
class About:
    """Everything the findings are made of. aside: why people set the unit aside, or nothing.

    volts, hertz: each with where its history began anew; fitted_from: since when the device that
    speaks now does [UTC s]. system: how it is connected, where its circuits have shown it.
    """

    inputs: UnitInputs
    plate: Plate
    seen: SupplySeen
    volts: Of
    hertz: Of
    fitted_from: int
    points: tuple[RunPoint, ...]
    delays: Mapping[str, Delay]
    now: int
    aside: str
    system: str = ""


def still_open(inputs: UnitInputs, days: Sequence[Day], channel: str, now: int) -> dict[str, Delay]:
    """The troubles that are met and that nobody has answered since.

    Somebody at the set answers a danger last seen before; a meter on the volts answers volts out of their band.

    Gives: records by trouble. Definition.
    """
    carry = days[-1].carry.supply.delays if days else {}
    visited = max((r.at for r in inputs.records if r.kind in ANSWERS and r.at <= now), default=0)
    metered = max(
        (c.from_at for c in inputs.calibrations if c.channel == channel and c.from_at <= now),
        default=0,
    )
    answered = {"volts": metered} | dict.fromkeys(DANGERS, visited)
    return {
        name: delay
        for name, delay in carry.items()
        if delay.met_at is not None and delay.last_at >= answered.get(trouble_of(name), 0)
    }


def trouble_of(name: str) -> str:
    """The trouble of a delay, whose name may have a circuit behind it.

    Gives: a word. Definition.
    """
    return name.partition(" ")[0]


def circuit_of(name: str) -> str:
    """The circuit of a delay that is of one; else nothing.

    Gives: a word. Definition.
    """
    return name.partition(" ")[2]
