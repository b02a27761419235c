"""Volts and hertz: dangers, and how well it holds them."""

from __future__ import annotations

from typing import Literal, TypeAlias, assert_never

from fleet.findings.row import AnyRow
from fleet.findings.supply import dangers, tolerance
from fleet.findings.supply.dangers import (
    LegOut,
    NoOutput,
    OpenNeutral,
    OverVoltage,
    StrayVolts,
    VoltsStanding,
)
from fleet.findings.supply.tolerance import (
    Drifting,
    FrequencyDrift,
    FrequencyOut,
    Hunting,
    OutOfBand,
    Unbalance,
    VoltageDrift,
    VoltageOut,
    WrongNominal,
)

SupplyFacts: TypeAlias = (
    VoltageOut
    | FrequencyOut
    | VoltageDrift
    | FrequencyDrift
    | Hunting
    | Unbalance
    | WrongNominal
    | LegOut
    | OpenNeutral
    | OverVoltage
    | NoOutput
    | VoltsStanding
    | StrayVolts
)
"""What is found of volts and hertz."""
Group = Literal[
    "Danger", "Out of tolerance", "Drifting out", "Unsteady or unbalanced", "To look into"
]
"""What the page of volts and hertz lists a finding under, worst first."""


def row_of(facts: SupplyFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case VoltageOut():
            return tolerance.VOLTAGE_OUT
        case FrequencyOut():
            return tolerance.FREQUENCY_OUT
        case VoltageDrift():
            return tolerance.VOLTAGE_DRIFT
        case FrequencyDrift():
            return tolerance.FREQUENCY_DRIFT
        case Hunting():
            return tolerance.HUNTING
        case Unbalance():
            return tolerance.UNBALANCE
        case WrongNominal():
            return tolerance.WRONG_NOMINAL
        case LegOut():
            return dangers.LEG_OUT
        case OpenNeutral():
            return dangers.OPEN_NEUTRAL
        case OverVoltage():
            return dangers.OVER_VOLTAGE
        case NoOutput():
            return dangers.NO_OUTPUT
        case VoltsStanding():
            return dangers.VOLTS_STANDING
        case StrayVolts():
            return dangers.STRAY_VOLTS
        case _:
            assert_never(facts)


def group(facts: SupplyFacts) -> Group:
    """What the page of volts and hertz lists it under."""
    match facts:
        case VoltsStanding() | OpenNeutral() | OverVoltage() | NoOutput() | LegOut():
            return "Danger"
        case VoltageOut() | FrequencyOut():
            return "Out of tolerance"
        case VoltageDrift() | FrequencyDrift():
            return "Drifting out"
        case Hunting() | Unbalance():
            return "Unsteady or unbalanced"
        case StrayVolts() | WrongNominal():
            return "To look into"
        case _:
            assert_never(facts)


def share_of(facts: SupplyFacts) -> float | None:
    """How far it is, as a part of the way to its limit; None where it has none."""
    match facts:
        case OutOfBand() | Drifting() | Hunting() | Unbalance():
            return facts.share
        case _:
            return None
