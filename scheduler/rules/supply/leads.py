"""What the leads of a set's device sense: circuits by their own names, and leads behind its breaker."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from fleet import wiring
from scheduler.rules.supply.supply_record import Plate

T = TypeVar("T")


def by_circuit(plate: Plate, by_lead: Mapping[str, T]) -> dict[str, T]:
    """What was read, under the name of the circuit it was read on; a lead that nobody connected is
    left out. `ac_v` keeps its name: its nominal is the set's, whatever it is read on.

    Gives: what was given, a record by circuit. Definition.
    """
    senses = dict(plate.senses)
    if not senses:
        return dict(by_lead)
    found: dict[str, T] = {}
    for lead, value in by_lead.items():
        sensed = senses.get(lead)
        if sensed is None and lead not in _taken(senses):
            found.setdefault(lead, value)
        elif sensed is not None and sensed != wiring.NOWHERE:
            keeps = lead in ("ac_v", "mains_v")
            found[lead if keeps else wiring.circuit_of(sensed) or lead] = value
    return found


def _taken(senses: Mapping[str, str]) -> set[str]:
    """Circuits that another lead than the one of their name is declared to read."""
    return {
        circuit
        for lead, sensed in senses.items()
        if lead not in ("ac_v", "mains_v") and (circuit := wiring.circuit_of(sensed))
    }


def lead_of(plate: Plate, circuit: str) -> str:
    """The channel that a circuit is read on: of its own name, but where another is declared to.

    Gives: a word. Definition.
    """
    for lead, sensed in plate.senses:
        if lead not in ("ac_v", "mains_v") and wiring.circuit_of(sensed) == circuit:
            return lead
    return circuit


def on_bus(plate: Plate, circuit: str) -> bool:
    """Whether a circuit may be alive while the set stands, by another set on its bus: it is declared
    to be read there, or nobody wrote down on which side of the set's breaker it is read.

    Gives: yes or no. Definition.
    """
    if not plate.bus:
        return False
    sensed = dict(plate.senses).get(lead_of(plate, circuit))
    return sensed is None or sensed.startswith(wiring.BUS)
