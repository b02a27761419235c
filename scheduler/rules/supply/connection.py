"""How a set is connected, as declared or as its readings look, and which conductors nobody watches."""

from __future__ import annotations

from collections.abc import Collection

from fleet.model import System
from fleet.wiring import TO_NEUTRAL
from scheduler.rules.supply.nominal import variants_of
from scheduler.rules.supply.supply_record import Connection, Plate

TOUCHES: dict[str, tuple[str, ...]] = {
    "ac_l1_v": ("L1",),
    "ac_l2_v": ("L2",),
    "ac_l3_v": ("L3",),
    "ac_l12_v": ("L1", "L2"),
    "ac_l23_v": ("L2", "L3"),
    "ac_l31_v": ("L3", "L1"),
}
"""The lines whose loss shows on a circuit. Definition."""
LOOKS_LIKE: dict[str, System] = {
    "line": "wye",
    "neutral": "wye",
    "legs": "split",
    "half legs": "split",
    "high": "high_leg",
    "corner": "corner",
}
WITH_NEUTRAL: frozenset[System] = frozenset({"split", "wye", "high_leg"})


def connection(plate: Plate, variant: str, measured: Collection[str]) -> Connection | None:
    """How a set is connected. variant: as its circuits have shown it; "": they have not. measured: its
    circuits that its newest runs read. None where nothing is declared and nothing has shown.

    A delta without neutral and a wye look alike where no line is measured to neutral: the system is
    then left open.

    Gives: a record in volts [V], or none. Definition.
    """
    circuits = variants_of(plate).get(variant) or next(iter(variants_of(plate).values()), {})
    line_v = circuits.get("ac_l12_v") if variant or plate.line_v is None else plate.line_v
    to_neutral = [name for name in TO_NEUTRAL if name in measured]
    if plate.system:
        system: System | None = plate.system
        line_v = plate.line_v or line_v
    elif variant:
        system = LOOKS_LIKE.get(variant) or LOOKS_LIKE.get(variant.partition(" ")[0])
        system = None if system == "wye" and not to_neutral else system
    else:
        return _unshown(plate, measured)
    return Connection(
        system=system,
        line_v=line_v,
        declared=bool(plate.system),
        unwatched=_unwatched(plate, system, measured),
    )


def _unshown(plate: Plate, measured: Collection[str]) -> Connection | None:
    """Of a set that the register has as split or three-phase, and whose circuits tell no more."""
    missing = _unwatched(plate, "split" if plate.phases == "split" else None, measured)
    return Connection(unwatched=missing) if missing and measured else None


def _unwatched(plate: Plate, system: System | None, measured: Collection[str]) -> tuple[str, ...]:
    """Lines whose loss would not show; and the neutral, where fewer than two are read to it."""
    if plate.phases == "1" and system in (None, "single"):
        return ()
    lines = ("L1", "L2") if system == "split" else ("L1", "L2", "L3")
    seen = {line for name in measured for line in TOUCHES.get(name, ())}
    found = tuple(line for line in lines if line not in seen)
    if system == "corner":
        found = ()
    few = sum(name in measured for name in TO_NEUTRAL) < 2
    neutral = ("the neutral",) if system in WITH_NEUTRAL and few else ()
    return (*found, *neutral)
