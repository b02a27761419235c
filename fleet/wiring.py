"""How a set is connected: its circuits, what each of them is nominally at, and what its leads sense.

A declared system is judged as declared; what it is declared as must agree with itself, so the
register and the record that answers the question about it are checked by one function here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import combinations

import msgspec

from fleet.model import System

TO_NEUTRAL = ("ac_l1_v", "ac_l2_v", "ac_l3_v")
LINES = ("ac_l12_v", "ac_l23_v", "ac_l31_v")
CIRCUITS: dict[str, str] = {
    "l1_n": "ac_l1_v",
    "l2_n": "ac_l2_v",
    "l3_n": "ac_l3_v",
    "l12": "ac_l12_v",
    "l23": "ac_l23_v",
    "l31": "ac_l31_v",
}
"""What a lead may sense, and the channel that is named after it."""
LEADS = ("ac_v", *TO_NEUTRAL, *LINES, "mains_v")
"""Leads whose place can be written down."""
BUS, NOWHERE = "bus_", "none"
"""A circuit behind the set's own breaker, on a bus with others; a lead that nobody connected."""
AGREES_SHARE = 0.06
"""A nominal so near to a circuit's names that circuit (220 V for 230.9 V). Common practice, no
source."""
NAMES: dict[System, str] = {
    "single": "single phase",
    "split": "split phase",
    "wye": "wye",
    "delta": "delta without neutral",
    "high_leg": "delta with a high leg",
    "corner": "delta with an earthed corner",
}


class Wiring(msgspec.Struct, frozen=True, kw_only=True):
    """How a set is declared to be connected. nominal_v: between the conductors of `ac_v` [V];
    line_v: line to line [V], None: as nominal_v names it; senses: lead to what it senses."""

    system: System
    nominal_v: float
    line_v: float | None = None
    senses: Mapping[str, str] = {}


class WiringFault(ValueError):
    """A declaration contradicts itself: at which of its facts, and how."""

    def __init__(self, name: str, message: str) -> None:
        super().__init__(message)
        self.name = name


def variants(system: System, line: float, nominal_v: float) -> dict[str, dict[str, float]]:
    """Nominal of each circuit of a system of this line-to-line nominal [V], by the variants it may be.

    Wye: line / root 3 to neutral; split: half; high leg: half, half and root 3 halves; earthed
    corner: the line, and none for that corner. Which leg of a delta is high or earthed is left open.
    A delta without neutral has no nominal to neutral or earth.
    """
    own = {"ac_v": nominal_v}
    lines = dict.fromkeys(LINES, line)
    if system == "single":
        return {"single": own | {"ac_l1_v": line}}
    if system == "split":
        return {"legs": own | {"ac_l1_v": line / 2, "ac_l2_v": line / 2, "ac_l12_v": line}}
    if system == "wye":
        return {"line": own | dict.fromkeys(TO_NEUTRAL, line / 3**0.5) | lines}
    if system == "delta":
        return {"delta": own | lines}
    if system == "high_leg":
        half = dict.fromkeys(TO_NEUTRAL, line / 2)
        return {f"high {n}": own | half | {n: line * 3**0.5 / 2} | lines for n in TO_NEUTRAL}
    corner = dict.fromkeys(TO_NEUTRAL, line)
    return {
        f"corner {n}": own | {m: v for m, v in corner.items() if m != n} | lines for n in TO_NEUTRAL
    }


def check(wiring: Wiring) -> None:
    """Raises WiringFault where a declaration contradicts itself."""
    seen: dict[str, str] = {}
    for lead, sensed in wiring.senses.items():
        circuit = circuit_of(sensed)
        if lead in ("ac_v", "mains_v") or circuit is None:
            continue
        seen[lead] = circuit
    for one, two in combinations(sorted(seen), 2):
        if seen[one] == seen[two]:
            raise WiringFault("senses", f"says {wiring.senses[one]} of {one} and of {two}.")
    found = variants(wiring.system, wiring.line_v or wiring.nominal_v, wiring.nominal_v)
    have = {name for variant in found.values() for name in variant}
    for lead, circuit in seen.items():
        if circuit not in have:
            raise WiringFault(
                "senses", f"says {wiring.senses[lead]} of {lead}: {NAMES[wiring.system]} has none."
            )
    output = circuit_of(wiring.senses.get("ac_v", NOWHERE))
    if wiring.line_v is None and output is None:
        return
    could = {
        round(variant[name])
        for variant in found.values()
        for name in ((output,) if output else variant)
        if name != "ac_v" and name in variant
    }
    if not any(abs(wiring.nominal_v / one - 1) <= AGREES_SHARE for one in could):
        volts = " or ".join(f"{one:g}" for one in sorted(could)) or "no"
        raise WiringFault(
            "line_v" if wiring.line_v is not None else "senses",
            f"and nominal_v do not agree: nominal_v is {wiring.nominal_v:g} V, and "
            f"{NAMES[wiring.system]} of {wiring.line_v or wiring.nominal_v:g} V from line to line "
            f"has {volts} V there.",
        )


def circuit_of(sensed: str) -> str | None:
    """The channel named after what a lead senses, on the set's side or on its bus; None for none."""
    return CIRCUITS.get(sensed.removeprefix(BUS))


def read_senses(text: str) -> dict[str, str]:
    """`ac_v=l12 ac_l1_v=l2_n mains_v=l1_n ac_l3_v=none` as a mapping. Raises ValueError.

    A circuit behind the set's own breaker, on a bus it shares, is written with `bus_` before it.
    """
    found: dict[str, str] = {}
    for word in re.split(r"[\s,;]+", text.strip().lower()):
        lead, _, sensed = word.partition("=")
        if lead not in LEADS:
            raise ValueError(f"names {lead!r}: expected one of {', '.join(LEADS)}.")
        if sensed != NOWHERE and circuit_of(sensed) is None:
            raise ValueError(
                f"says {sensed!r} of {lead}: expected one of {', '.join(CIRCUITS)}, the same with "
                f"{BUS} before it, or {NOWHERE}."
            )
        if lead in found:
            raise ValueError(f"names {lead} twice.")
        found[lead] = sensed
    return found


def senses_text(senses: Mapping[str, str]) -> str:
    """What leads sense as one cell."""
    return " ".join(f"{lead}={senses[lead]}" for lead in LEADS if lead in senses)


USUAL_V = (120.0, 127.0, 220.0, 230.0, 240.0, 277.0, 347.0, 400.0)
"""Volts to neutral as people name them: 230 of 400 V, not 231. Source: IEC 60038 and ANSI C84.1,
from memory."""


def _named(volts: float) -> float:
    return next((one for one in USUAL_V if abs(volts / one - 1) <= 0.005), volts)


def said(system: System, line_v: float) -> str:
    """`277/480 V wye`: a system and its volts in the trade's words."""
    volts = f"{line_v:.0f} V"
    if system == "wye":
        volts = f"{_named(line_v / 3**0.5):.0f}/{line_v:.0f} V"
    if system in ("split", "high_leg"):
        volts = f"{line_v / 2:.0f}/{line_v:.0f} V"
    return f"{volts} {NAMES[system]}"
