"""What the findings of volts and hertz are made of, and which troubles are still open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from fleet.findings.supply import dangers, tolerance
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.findings import ANSWERS
from scheduler.assess.supply.quantity import History
from scheduler.day import Day
from scheduler.rules.supply import Delay, Plate, RunPoint, SupplySeen, Trouble

ANSWERED_BY: dict[Trouble, Literal["visit", "meter", "nothing"]] = {
    "volts": tolerance.VOLTAGE_OUT.quiet.answered_by,
    "hertz": tolerance.FREQUENCY_OUT.quiet.answered_by,
    "over_voltage": dangers.OVER_VOLTAGE.quiet.answered_by,
    "high": "visit",
    "open_neutral": dangers.OPEN_NEUTRAL.quiet.answered_by,
    "circuit": dangers.LEG_OUT.quiet.answered_by,
    "no_output": dangers.NO_OUTPUT.quiet.answered_by,
    "standing": dangers.VOLTS_STANDING.quiet.answered_by,
    "stray": dangers.STRAY_VOLTS.quiet.answered_by,
}
"""What answers a trouble, by the row of the finding that tells of it."""


@dataclass(frozen=True, slots=True)
class Basis:
    """Everything the findings are made of. aside: why people set the unit aside, or nothing.

    volts, hertz: each with where its history began anew; fitted_from: since when the device that
    speaks now does [UTC s]. system: how it is connected, where its circuits have shown it.
    """

    inputs: UnitInputs
    plate: Plate
    seen: SupplySeen
    volts: History
    hertz: History
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
    answered = {"visit": visited, "meter": metered, "nothing": 0}
    return {
        name: delay
        for name, delay in carry.items()
        if delay.met_at is not None and delay.last_at >= answered[ANSWERED_BY[trouble_of(name)]]
    }


def trouble_of(name: str) -> Trouble:
    """The trouble of a delay, whose name may have a circuit behind it.

    Gives: a word. Definition.
    """
    first = name.partition(" ")[0]
    return next(trouble for trouble in ANSWERED_BY if trouble == first)


def circuit_of(name: str) -> str:
    """The circuit of a delay that is of one; else nothing.

    Gives: a word. Definition.
    """
    return name.partition(" ")[2]
