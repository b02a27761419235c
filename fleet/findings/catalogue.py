"""The catalogue: the row of every kind, and what is said of a finding."""

from __future__ import annotations

from typing import Any, TypeAlias, assert_never, get_args

import msgspec

from fleet.findings import (
    battery,
    exercise,
    fuel,
    mains,
    reporting,
    service,
    starting,
    supply,
    this_service,
)
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
from fleet.findings.finding import AnyFacts, Finding
from fleet.findings.fuel import FuelLow
from fleet.findings.mains import MainsLost, MainsOutage
from fleet.findings.reporting import ClockWrong, DataBudget, NotReporting, SequenceGaps, SimEnding
from fleet.findings.row import Row, Sentence
from fleet.findings.saying import CAUTIONS, LEARNED, began, is_late, moment
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

AnyRow: TypeAlias = Row[Any]


def row_of(facts: AnyFacts) -> AnyRow:
    """How such a finding behaves. A kind without a row is a type error here."""
    match facts:
        case FailedStart():
            return starting.FAILED_START
        case ShutDown():
            return starting.SHUT_DOWN
        case NotInAuto():
            return starting.NOT_IN_AUTO
        case StartsUnreliable():
            return starting.STARTS_UNRELIABLE
        case HarderStarting():
            return starting.HARDER_STARTING
        case NotReporting():
            return reporting.NOT_REPORTING
        case ClockWrong():
            return reporting.CLOCK_WRONG
        case SequenceGaps():
            return reporting.SEQUENCE_GAPS
        case SimEnding():
            return reporting.SIM_ENDING
        case DataBudget():
            return reporting.DATA_BUDGET
        case ServiceDue():
            return service.SERVICE_DUE
        case OilCheckInRun():
            return service.OIL_CHECK_IN_RUN
        case MeterReset():
            return service.METER_RESET
        case MeterRolledOver():
            return service.METER_ROLLED_OVER
        case HourFormatAsked():
            return service.HOUR_FORMAT_ASKED
        case MeterDisagrees():
            return service.METER_DISAGREES
        case UsesIntegratedHours():
            return service.USES_INTEGRATED_HOURS
        case ExerciseMissed():
            return exercise.EXERCISE_MISSED
        case ExerciseShort():
            return exercise.EXERCISE_SHORT
        case ExerciseUnderLoaded():
            return exercise.EXERCISE_UNDER_LOADED
        case ExerciseTime():
            return exercise.EXERCISE_TIME
        case CodeExerciseNotMet():
            return exercise.CODE_EXERCISE_NOT_MET
        case MainsLost():
            return mains.MAINS_LOST
        case MainsOutage():
            return mains.MAINS_OUTAGE
        case FuelLow():
            return fuel.FUEL_LOW
        case BatteryWeak():
            return battery.BATTERY_WEAK
        case BatteryFailedCell():
            return battery.BATTERY_FAILED_CELL
        case ChargerFault():
            return battery.CHARGER_FAULT
        case OverCharge():
            return battery.OVER_CHARGE
        case BatteryRunsDown():
            return battery.BATTERY_RUNS_DOWN
        case BatteryOld():
            return battery.BATTERY_OLD
        case VoltageOut():
            return supply.VOLTAGE_OUT
        case FrequencyOut():
            return supply.FREQUENCY_OUT
        case VoltageDrift():
            return supply.VOLTAGE_DRIFT
        case FrequencyDrift():
            return supply.FREQUENCY_DRIFT
        case Hunting():
            return supply.HUNTING
        case Unbalance():
            return supply.UNBALANCE
        case LegOut():
            return supply.LEG_OUT
        case OpenNeutral():
            return supply.OPEN_NEUTRAL
        case OverVoltage():
            return supply.OVER_VOLTAGE
        case NoOutput():
            return supply.NO_OUTPUT
        case VoltsStanding():
            return supply.VOLTS_STANDING
        case StrayVolts():
            return supply.STRAY_VOLTS
        case WrongNominal():
            return supply.WRONG_NOMINAL
        case OwnLine():
            return this_service.OWN_LINE
        case Undelivered():
            return this_service.UNDELIVERED
        case Earlier():
            return this_service.EARLIER
        case _:
            assert_never(facts)


ROWS: tuple[AnyRow, ...] = (
    starting.FAILED_START,
    starting.SHUT_DOWN,
    starting.NOT_IN_AUTO,
    starting.STARTS_UNRELIABLE,
    starting.HARDER_STARTING,
    reporting.NOT_REPORTING,
    reporting.CLOCK_WRONG,
    reporting.SEQUENCE_GAPS,
    reporting.SIM_ENDING,
    reporting.DATA_BUDGET,
    service.SERVICE_DUE,
    service.OIL_CHECK_IN_RUN,
    service.METER_RESET,
    service.METER_ROLLED_OVER,
    service.METER_DISAGREES,
    service.HOUR_FORMAT_ASKED,
    service.USES_INTEGRATED_HOURS,
    exercise.EXERCISE_MISSED,
    exercise.EXERCISE_SHORT,
    exercise.EXERCISE_UNDER_LOADED,
    exercise.EXERCISE_TIME,
    exercise.CODE_EXERCISE_NOT_MET,
    mains.MAINS_LOST,
    mains.MAINS_OUTAGE,
    fuel.FUEL_LOW,
    battery.BATTERY_WEAK,
    battery.BATTERY_FAILED_CELL,
    battery.CHARGER_FAULT,
    battery.OVER_CHARGE,
    battery.BATTERY_RUNS_DOWN,
    battery.BATTERY_OLD,
    supply.VOLTAGE_OUT,
    supply.FREQUENCY_OUT,
    supply.VOLTAGE_DRIFT,
    supply.FREQUENCY_DRIFT,
    supply.HUNTING,
    supply.UNBALANCE,
    supply.LEG_OUT,
    supply.OPEN_NEUTRAL,
    supply.OVER_VOLTAGE,
    supply.NO_OUTPUT,
    supply.VOLTS_STANDING,
    supply.STRAY_VOLTS,
    supply.WRONG_NOMINAL,
    this_service.OWN_LINE,
    this_service.UNDELIVERED,
    this_service.EARLIER,
)
"""Every row, family by family."""
_NAMED: dict[str, AnyRow] = {row.kind: row for row in ROWS}
assert {row.facts for row in ROWS} == set(get_args(AnyFacts)), "a kind without its row"


def row_named(kind: str) -> AnyRow:
    """The row of a kind by its name; of one that no version of today knows, that of an earlier one's."""
    return _NAMED.get(kind, this_service.EARLIER)


def sentence(finding: Finding, zone: str, now: int) -> Sentence:
    """What to say about a finding, in the site's zone. zone: IANA name; now: UTC seconds.

    Where it may send somebody to a set the cautions go with it. Late news has both times, whatever its
    kind: in what was seen, and short as `late`.
    """
    row = row_of(finding.facts)
    said = row.say(finding.facts, finding, zone, now)
    if row.sends:
        said = msgspec.structs.replace(said, cautions=CAUTIONS)
    if not is_late(finding):
        return said
    both = began(finding, zone, now)
    seen = _with_both(said.seen, moment(finding.since, zone, now), both)
    short = both.replace(f"{LEARNED}at ", LEARNED)
    return msgspec.structs.replace(said, seen=seen, late=short)


def _with_both(seen: str, start: str, both: str) -> str:
    """What was seen with both times: the later one beside the earlier where that stands after "since"
    or "at", else in a sentence of its own."""
    if both in seen:
        return seen
    for before in ("since", "at"):
        head, found, tail = seen.partition(f"{before} {start}")
        if found:
            comma = "," if tail.startswith(" ") else ""
            return f"{head}{before} {both}{comma}{tail}"
    return f"{seen} It began at {both}."
