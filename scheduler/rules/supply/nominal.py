"""What each circuit of a set is nominally at: lines, legs, and the three lines to neutral."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from scheduler.rules.supply import legs
from scheduler.rules.supply.terms import Plate

TO_NEUTRAL = ("ac_l1_v", "ac_l2_v", "ac_l3_v")
LINES = ("ac_l12_v", "ac_l23_v", "ac_l31_v")
OF_SYSTEM: dict[str, tuple[str, ...]] = {
    "1": (),
    "split": ("ac_v", "ac_l1_v", "ac_l2_v", "ac_l12_v"),
    "3": ("ac_v", *TO_NEUTRAL, *LINES),
}
"""The circuits a set of these phases has."""
BESIDE = ("ac_l2_v", "ac_l3_v", "ac_l23_v", "ac_l31_v")
"""Circuits a single-phase set does not have: one that is alive says that the register, whose word
where nobody wrote one is a single phase, is wrong."""
THIRD = frozenset({"ac_l3_v", "ac_l23_v", "ac_l31_v"})
ALIVE_SHARE = 0.2
"""Alive for this purpose: above what an open lead picks up. Common practice, no source."""
LINE_TO_NEUTRAL = frozenset({120.0, 127.0, 220.0, 230.0, 240.0, 277.0, 347.0})
"""A three-phase nominal that names line to neutral; any other names line to line (memory)."""
EITHER_NOMINALS = frozenset({220.0, 230.0, 240.0})
"""Nominals that name line to line in some systems (127/220, 133/230, 139/240 V) and line to
neutral in others (220/380, 230/400, 240/415 V)."""
HIGH_LEG_NOMINALS = frozenset({240.0, 480.0})
"""Line-to-line nominals of a delta whose one winding has its middle at neutral: two lines stand at
half of nominal to it and the third, the high leg, at root 3 halves (NFPA 70, 110.15)."""
NEAR = 0.12
"""A high-leg delta is believed when every line to neutral is this near to its own. Common
practice, no source."""


def of_system(plate: Plate, volts: Mapping[str, float]) -> tuple[str, ...]:
    """The measured channels that are circuits of such a set, in order. volts: what each is at [V]."""
    return tuple(name for name in OF_SYSTEM[_phases(plate, volts)] if name in volts)


def _phases(plate: Plate, volts: Mapping[str, float]) -> str:
    if plate.phases != "1":
        return plate.phases
    if all(volts.get(name, 0.0) < ALIVE_SHARE * plate.nominal_v for name in BESIDE):
        return "1"
    return "3" if THIRD & volts.keys() else "split"


def nominals(plate: Plate, volts: Mapping[str, float]) -> dict[str, float]:
    """Each circuit's own nominal [V]. volts: what each is at, as while it runs [V].

    A split-phase nominal of 200 V and more names both legs together. A three-phase one names line
    to neutral or line to line by the table of nominals; where it may name either, and on a set that
    only its readings show to have several circuits, whichever the volts are nearest to. `ac_v` is
    what the nominal names.
    """
    own = min(_scales(plate, volts), key=lambda scale: _apart(scale, volts))
    return {name: own[name] for name in of_system(plate, volts)}


def _scales(plate: Plate, volts: Mapping[str, float]) -> list[dict[str, float]]:
    """The nominals its circuits may have."""
    nominal, leg = plate.nominal_v, legs.leg_nominal(plate)
    every = {"ac_v": nominal}
    split = every | dict.fromkeys(TO_NEUTRAL, leg) | dict.fromkeys(LINES, 2 * leg)
    by_line = every | dict.fromkeys(TO_NEUTRAL, nominal / 3**0.5) | dict.fromkeys(LINES, nominal)
    by_neutral = every | dict.fromkeys(TO_NEUTRAL, nominal)
    by_neutral |= dict.fromkeys(LINES, nominal * 3**0.5)
    if plate.phases == "split":
        return [split]
    if high := _high_leg(plate, volts):
        return [by_line | high]
    if plate.phases == "1":
        return [split, by_line, by_neutral]
    if nominal in EITHER_NOMINALS:
        return [by_line, by_neutral]
    return [by_neutral if nominal in LINE_TO_NEUTRAL else by_line]


def _high_leg(plate: Plate, volts: Mapping[str, float]) -> dict[str, float]:
    """Nominals to neutral of a high-leg delta, where all three lines stand as in one; else none."""
    if plate.nominal_v not in HIGH_LEG_NOMINALS or not all(name in volts for name in TO_NEUTRAL):
        return {}
    high = max(TO_NEUTRAL, key=lambda name: volts[name])
    scale = {name: plate.nominal_v * (3**0.5 / 2 if name == high else 0.5) for name in TO_NEUTRAL}
    near = all(abs(volts[name] / scale[name] - 1) <= NEAR for name in TO_NEUTRAL)
    lines = all(abs(volts[name] / plate.nominal_v - 1) <= NEAR for name in LINES if name in volts)
    return scale if near and lines else {}


def _apart(scale: Mapping[str, float], volts: Mapping[str, float]) -> float:
    """How far the measured volts lie from a scale: the median of the distances in ratio."""
    ratios = [volts[name] / scale[name] for name in volts if name in scale] or [1.0]
    return float(np.median([abs(np.log(max(ratio, 0.01))) for ratio in ratios]))
