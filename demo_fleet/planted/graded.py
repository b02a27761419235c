"""How large a graded fault must be to be found: what the truth file promises of each.

A yes/no fault is there or not; a graded one has a size. At twice the size stated here and above it
is found every time, at half of it hardly ever. The same limits stand in the rules' descriptions.
"""

from __future__ import annotations

from dataclasses import dataclass

from fleet.findings import Facts
from fleet.findings.battery import BatteryWeak
from fleet.findings.exercise import ExerciseShort, ExerciseTime, ExerciseUnderLoaded
from fleet.findings.reporting import NotReporting
from fleet.findings.service import MeterDisagrees, OilCheckInRun, ServiceDue, UsesIntegratedHours
from fleet.findings.starting import HarderStarting, StartsUnreliable
from fleet.findings.supply import FrequencyDrift, Hunting, Unbalance, VoltageDrift


@dataclass(frozen=True)
class Limit:
    """The detection limit of a graded fault: size in its unit, from so many samples over days."""

    finding: type[Facts]
    size: float
    unit: str
    samples: int
    days: int
    samples_of: str


GRADED: dict[str, Limit] = {
    "meter_counts_standing": Limit(
        UsesIntegratedHours,
        12.0,
        "h counted on one UTC day while standing",
        70,
        1,
        "reports at rest",
    ),
    "meter_slow": Limit(MeterDisagrees, 5.0, "% of 22 h or more run, and 1.1 h", 20, 30, "runs"),
    "meter_fast": Limit(
        MeterDisagrees,
        5.0,
        "% of 22 h or more run, and 1.1 h, beyond one report at rest a run",
        20,
        30,
        "runs",
    ),
    "harder_starting": Limit(
        HarderStarting, 1.45, "s more cranking at like temperature", 26, 200, "starts"
    ),
    "starts_unreliable": Limit(StartsUnreliable, 3.0, "failed starts", 20, 140, "start demands"),
    "exercise_short": Limit(
        ExerciseShort, 2.0, "min (or 10 %) short of the agreed length", 1, 1, "exercises"
    ),
    "exercise_drifted": Limit(ExerciseTime, 30.0, "min from the agreed time", 3, 21, "exercises"),
    "exercise_under_loaded": Limit(
        ExerciseUnderLoaded, 25.0, "% under the agreed load", 5, 1, "load readings in the run"
    ),
    "late_service": Limit(ServiceDue, 30.0, "days over the date", 1, 395, "records"),
    "silence": Limit(NotReporting, 3.0, "reports missed, and 20 min", 3, 1, "reports"),
    "battery_ages": Limit(
        BatteryWeak, 0.45, "V lower while cranking at like temperature (12 V)", 26, 200, "starts"
    ),
    "governor_drifts": Limit(
        FrequencyDrift,
        0.8,
        "Hz away from the first eight runs (class G2, no load)",
        26,
        200,
        "runs",
    ),
    "regulator_drifts": Limit(
        VoltageDrift,
        1.6,
        "% of nominal away from the first eight runs (class G2)",
        26,
        200,
        "runs",
    ),
    "hunting": Limit(
        Hunting,
        0.75,
        "Hz full width inside runs (the steady band of class G2 at 50 Hz)",
        3,
        21,
        "runs",
    ),
    "unbalance": Limit(Unbalance, 3.0, "% line to line (NEMA MG 1)", 3, 21, "runs"),
    "long_run": Limit(OilCheckInRun, 8.0, "h of one run, air-cooled", 8, 1, "reports"),
}
