"""What each circuit of a set is nominally at: lines, legs, and the three lines to neutral.

The register says one nominal and a number of phases; how the set is connected is read off its
circuits once they all fit, and kept: a fault must not look like another way of connecting it. With
its neutral open a wye of 277/480 V can stand at 240, 416 and 240 V, as a high-leg delta does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fleet import wiring
from fleet.wiring import LINES, TO_NEUTRAL
from scheduler.rules.supply.supply_record import Plate

EVERY = ("ac_v", *TO_NEUTRAL, *LINES)
"""Every circuit a set may have, in the order of all systems."""
SPLIT = ("ac_v", "ac_l1_v", "ac_l2_v", "ac_l12_v")
BESIDE = ("ac_l2_v", "ac_l3_v", "ac_l23_v", "ac_l31_v")
"""Circuits a single-phase set does not have: one that is alive says that the register, whose word
where nobody wrote one is a single phase, is wrong."""
ALIVE_SHARE = 0.2
"""Alive for this purpose: above what an open lead picks up. Common practice, no source."""
BOTH_LEGS_V = 200.0
"""From here on a split-phase nominal names both legs together (100/200, 120/240 V); below it names
one of them, or both of a tool supply of 110 V with its middle on earth. Source: BS 7671, 411.8 (the
tool supply); the edge common practice, no source."""
LINE_TO_NEUTRAL = frozenset({120.0, 127.0, 220.0, 230.0, 240.0, 277.0, 347.0})
"""A three-phase nominal that names line to neutral; any other names line to line. From memory."""
EITHER_NOMINALS = frozenset({100.0, 110.0, 115.0, 120.0, 127.0, 220.0, 230.0, 240.0})
"""Nominals that name line to line in some systems (63.5/110, 127/220, 133/230, 139/240 V) and line
to neutral in others (110/190, 115/200, 220/380, 230/400, 240/415 V). From memory."""
HIGH_LEG_NOMINALS = frozenset({240.0, 480.0})
"""Line-to-line nominals of a delta whose one winding has its middle at neutral: two lines stand at
half of nominal to it and the third, the high leg, at root 3 halves. Source: NFPA 70, 110.15."""
NEAR = 0.12
"""A variant is believed when every circuit is this near to its own. Common practice, no
source."""
EARTHED_SHARE = 0.1
"""The earthed corner of a delta reads less than this to earth. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class System:
    """How a set is connected. own: nominal of each measured circuit [V]; fits: every one is near."""

    name: str
    own: dict[str, float]
    fits: bool


def nominals(plate: Plate, volts: Mapping[str, float], before: str = "") -> dict[str, float]:
    """Each circuit's own nominal, as the set is connected; nothing for a set of a single circuit.

    volts: what each circuit is at while it runs [V]; before: how the set was known to be connected.

    Gives: [V] by circuit. Definition.
    """
    return system_of(plate, volts, before).own


def system_of(plate: Plate, volts: Mapping[str, float], before: str = "") -> System:
    """How the set is connected. volts: what each circuit is at, as while it runs [V]; before: how it
    was known to be.

    Where the nominal may name one thing or another, and on a set that only its readings show to have
    several circuits, whichever the volts are nearest to. `ac_v` is what the nominal names. What was
    known goes on, but that a wye whose circuits all fit is no delta with a high or an earthed leg.

    Gives: a record in volts [V]. Common practice, no source.
    """
    if plate.system:
        return _declared(plate, volts, before)
    if plate.phases == "1" and not before and not _several(plate, volts):
        return System("", {}, False)
    variants = variants_of(plate)
    plain = [name for name in variants if not _delta(name)]
    fitting = [name for name in plain if _fits(variants[name], volts)]
    if before in variants and not (_delta(before) and fitting):
        name = before
    elif not fitting and (
        delta := next((d for d in variants if _is_delta(d, variants, volts)), None)
    ):
        name = delta
    else:
        name = min(fitting or plain, key=lambda one: _apart(variants[one], volts))
    own = {
        circuit: variants[name][circuit]
        for circuit in EVERY
        if circuit in volts and circuit in variants[name]
    }
    fits = len(own) > 1 and (_is_delta(name, variants, volts) if _delta(name) else name in fitting)
    return System(name, own, fits)


def _declared(plate: Plate, volts: Mapping[str, float], before: str) -> System:
    """A declared system as declared; which of its variants it is where that is open, as it was known or
    whichever its circuits fit or are nearest to."""
    found = variants_of(plate)
    name = (
        before
        if before in found
        else min(found, key=lambda one: (not _fits(found[one], volts), _apart(found[one], volts)))
    )
    own = {c: found[name][c] for c in EVERY if c in volts and c in found[name]}
    return System(name, own, len(own) > 1 and _fits(found[name], volts))


def _several(plate: Plate, volts: Mapping[str, float]) -> bool:
    return any(volts.get(name, 0.0) >= ALIVE_SHARE * plate.nominal_v for name in BESIDE)


@lru_cache(maxsize=512)
def variants_of(plate: Plate) -> dict[str, dict[str, float]]:
    """The variants of a set of this plate, with each circuit's nominal then [V].

    Legs: half of the line; wye: line / root 3; high-leg delta: half, half and root 3 halves of the
    line; corner-earthed delta: the line, and none for the earthed corner. Of a declared system only
    its own; of a wye or split phase whose line voltage nobody gave, those its nominal may name.

    Gives: [V] by circuit and variant. Arithmetic.
    """
    v = plate.nominal_v
    if plate.system and (plate.line_v is not None or plate.system not in ("wye", "split")):
        return wiring.variants(plate.system, plate.line_v or v, v)
    found: dict[str, dict[str, float]] = {}
    if plate.phases in ("split", "1"):
        names = SPLIT if plate.phases == "split" else EVERY
        found["legs"] = _scale(v, v / 2 if v >= BOTH_LEGS_V else v, 2.0, names)
        if v < BOTH_LEGS_V and plate.phases == "split":
            found["half legs"] = _scale(v, v / 2, 2.0, names)
    if plate.phases in ("3", "1"):
        either = plate.phases == "1" or v in EITHER_NOMINALS
        if either or v not in LINE_TO_NEUTRAL:
            found["line"] = _scale(v, v / 3**0.5, 3**0.5)
        if either or v in LINE_TO_NEUTRAL:
            found["neutral"] = _scale(v, v, 3**0.5)
        if plate.system:
            return found
        for name in TO_NEUTRAL:
            if v in HIGH_LEG_NOMINALS:
                found[f"high {name}"] = _scale(v, v / 2, 2.0) | {name: v * 3**0.5 / 2}
            found[f"corner {name}"] = _scale(v, v, 1.0)
            del found[f"corner {name}"][name]
    return found


def _scale(
    nominal: float, leg: float, across: float, names: tuple[str, ...] = EVERY
) -> dict[str, float]:
    every = {"ac_v": nominal} | dict.fromkeys(TO_NEUTRAL, leg) | dict.fromkeys(LINES, across * leg)
    return {name: every[name] for name in names}


def _delta(name: str) -> bool:
    """A delta with a high or an earthed leg: no plain system."""
    return name.startswith(("high", "corner"))


def _is_delta(
    name: str, variants: Mapping[str, Mapping[str, float]], volts: Mapping[str, float]
) -> bool:
    """Whether all three lines stand as in such a delta.

    With an earthed corner two stand at the line voltage to earth; where a wye of this nominal may
    stand so with its third leg dead, lines must have been read.
    """
    kind, _, leg = name.partition(" ")
    if not _delta(name) or not all(one in volts for one in TO_NEUTRAL):
        return False
    if kind == "corner":
        told = "line" in variants and "neutral" not in variants
        if volts[leg] > EARTHED_SHARE * variants[name]["ac_v"] or not (
            told or volts.keys() & set(LINES)
        ):
            return False
    return _fits(variants[name], volts)


def _fits(scale: Mapping[str, float], volts: Mapping[str, float]) -> bool:
    """Whether every circuit is near to its own nominal."""
    return all(abs(volts[name] / own - 1) <= NEAR for name, own in scale.items() if name in volts)


def _apart(scale: Mapping[str, float], volts: Mapping[str, float]) -> float:
    """How far the measured volts lie from a scale: the median of the distances in ratio."""
    ratios = [volts[name] / scale[name] for name in volts if name in scale] or [1.0]
    return float(np.median([abs(np.log(max(ratio, 0.01))) for ratio in ratios]))


MAINS_SEEN_SHARE = 0.3
"""Mains volts under this share of nominal say that it is away, and nothing about where it is read.
Common practice, no source."""


def mains_nominal(plate: Plate, volts: NDArray[np.float64], before: float | None) -> float:
    """What the mains is nominally at between the two conductors it is read at [V].

    As declared; else the nominal of a circuit of such a set that the day's median lies within 12 %
    of, and never lower than it was known to be (before): the leg of 120 V of a set of 240 V is no
    mains that stands at half, but a mains that falls to half is no other circuit. volts: of the day.

    Gives: [V]. Common practice, no source.
    """
    variants = list(variants_of(plate).values())
    sensed = wiring.circuit_of(dict(plate.senses).get("mains_v", ""))
    declared = [variant[sensed] for variant in variants if sensed and sensed in variant]
    if declared:
        return declared[0]
    there = volts[volts >= MAINS_SEEN_SHARE * plate.nominal_v]
    known = plate.nominal_v if before is None else before
    if not len(there):
        return known
    middle = float(np.median(there))
    may = {plate.nominal_v, *(v for variant in variants for v in variant.values())}
    near = [v for v in sorted(may) if abs(middle / v - 1) <= NEAR]
    if not near:
        return known
    own = plate.nominal_v if plate.nominal_v in near else min(near, key=lambda v: abs(middle - v))
    return own if before is None else max(before, own)
