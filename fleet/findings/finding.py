"""The finding: what was seen of one subject, and the kinds that there are."""

from __future__ import annotations

from typing import TypeAlias, get_args

from fleet.findings.battery import (
    BatteryFailedCell,
    BatteryOld,
    BatteryRunsDown,
    BatteryWeak,
    ChargerFault,
    OverCharge,
)
from fleet.findings.exercise import (
    CodeExerciseNotMet,
    ExerciseMissed,
    ExerciseShort,
    ExerciseTime,
    ExerciseUnderLoaded,
)
from fleet.findings.fuel import FuelLow
from fleet.findings.mains import MainsLost, MainsOutage
from fleet.findings.reporting import ClockWrong, DataBudget, NotReporting, SequenceGaps, SimEnding
from fleet.findings.row import Facts, Found, kind_of
from fleet.findings.service import (
    HourFormatAsked,
    MeterDisagrees,
    MeterReset,
    MeterRolledOver,
    OilCheckInRun,
    ServiceDue,
    UsesIntegratedHours,
)
from fleet.findings.starting import (
    FailedStart,
    HarderStarting,
    NotInAuto,
    ShutDown,
    StartsUnreliable,
)
from fleet.findings.supply import (
    FrequencyDrift,
    FrequencyOut,
    Hunting,
    LegOut,
    NoOutput,
    OpenNeutral,
    OverVoltage,
    StrayVolts,
    Unbalance,
    VoltageDrift,
    VoltageOut,
    VoltsStanding,
    WrongNominal,
)
from fleet.findings.this_service import Earlier, OwnLine, Undelivered

AnyFacts: TypeAlias = (
    FailedStart
    | ShutDown
    | NotInAuto
    | StartsUnreliable
    | HarderStarting
    | NotReporting
    | ClockWrong
    | SequenceGaps
    | SimEnding
    | DataBudget
    | ServiceDue
    | OilCheckInRun
    | MeterReset
    | MeterRolledOver
    | MeterDisagrees
    | UsesIntegratedHours
    | HourFormatAsked
    | ExerciseMissed
    | ExerciseShort
    | ExerciseUnderLoaded
    | ExerciseTime
    | CodeExerciseNotMet
    | MainsLost
    | MainsOutage
    | FuelLow
    | BatteryWeak
    | BatteryFailedCell
    | ChargerFault
    | OverCharge
    | BatteryRunsDown
    | BatteryOld
    | VoltageOut
    | FrequencyOut
    | VoltageDrift
    | FrequencyDrift
    | Hunting
    | Unbalance
    | LegOut
    | OpenNeutral
    | OverVoltage
    | NoOutput
    | VoltsStanding
    | StrayVolts
    | WrongNominal
    | OwnLine
    | Undelivered
    | Earlier
)
"""The facts of every kind, a record each."""
KINDS: dict[str, type[Facts]] = {kind_of(record): record for record in get_args(AnyFacts)}
"""The record of each kind by its name."""


class Finding(Found, frozen=True, kw_only=True):
    """Something a rule saw: its facts, how grave it is, since when, and what it stands on."""

    facts: AnyFacts

    @property
    def kind(self) -> str:
        """The name of the kind, as episodes keep it."""
        return self.facts.kind
