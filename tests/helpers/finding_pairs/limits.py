"""The numbers of each kind's limits, out of the rules' own constants, as its entry must spell them.

The rooms of findings cannot know the rules, which stand above them; the tests see both. A figure that
an entry does not spell, and a figure it spells that no constant gives, fail.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime

from fleet import defaults
from fleet.hour_format import MINUTES_IN_H
from fleet.model import Task
from ingest.pulses import MESSAGE_OVERHEAD_B
from ingest.wire.times import STEP_AT_MOST_S
from scheduler.assess.battery.assessment import LOW_DAYS_LEFT
from scheduler.assess.battery.findings import OLD_CODE_MONTHS, OLD_MONTHS
from scheduler.assess.battery.findings import SOON_DAYS as CELLS_SOON_DAYS
from scheduler.assess.card import AHEAD_DAYS, USED_SHARE
from scheduler.assess.card import SOON_DAYS as CARD_SOON_DAYS
from scheduler.assess.findings import CLOCK_SHOWN_S, NEVER_HEARD_S, ROLL_OVER_SHOWN_S
from scheduler.assess.fuel import AGREED_H, FULL_SHARE, LASTING_S
from scheduler.assess.fuel import LOW_SHARE as FUEL_LOW_SHARE
from scheduler.assess.hours.metering import (
    CROSS_CHECK_H,
    CROSS_CHECK_S,
    CROSS_CHECK_SHARE,
    STANDING_AT_LEAST_H,
    STANDING_WATCHED,
)
from scheduler.assess.hours.metering import STANDING_SHARE as METER_STANDING_SHARE
from scheduler.assess.readiness import WITH_FAILURE_S
from scheduler.assess.supply.by_runs import RUNS_BAD, RUNS_LOOKED
from scheduler.outage.grouping import SETS_LEAST, SHARE_LEAST, SITES_LEAST, WITHIN_S
from scheduler.rules.battery.charger import CRANKS_FROM, UNDER_DAYS
from scheduler.rules.battery.cranking import (
    FALLEN_BELOW_V,
    FALLEN_V,
    FAR_BELOW_V,
    FAR_FALLEN_V,
    LIKE_C,
    METER_V,
)
from scheduler.rules.battery.nominal import LEAST_DAYS
from scheduler.rules.battery.tables import AT_C, CLEAR_V, COMPENSATION_MV, LOAD_TEST, LOW_V, OVER_V
from scheduler.rules.battery.verdict import (
    CHARGED_BY_RUN_V,
    FAILED_V,
    FELL_TO_V,
    HALF_PCT,
    LOST_CHARGER_V,
)
from scheduler.rules.battery.watch import OVER_S, SETTLED_S, UNDER_S
from scheduler.rules.exercise.exercise_verdict import (
    LEARNED_FROM,
    LOAD_SHARE,
    RECENT,
    SHORT_AT_LEAST_S,
    SHORT_SHARE,
    TIME_OFF_S,
    WARMING_S,
    WINDOW_S,
)
from scheduler.rules.exercise.year import ANNUAL, MONTHLY_S, MONTHLY_SHARE
from scheduler.rules.fuel.level import CLEAR_PCT, PROPANE_PCT
from scheduler.rules.hours.format_evidence import COUNTS_FASTER, LEAPS_LEAST, LEAPS_SHARE
from scheduler.rules.hours.meter import RULES as METER
from scheduler.rules.mains import ABSENT_SHARE, BACK_SHARE
from scheduler.rules.reliability import AT_95, SURE, HarderRules
from scheduler.rules.service.long_run import EARLY_S, EVERY_H, FIRST_H
from scheduler.rules.service.reckon import SOON_DAYS as SERVICE_SOON_DAYS
from scheduler.rules.service.reckon import SOON_HOURS_SHARE
from scheduler.rules.starting.demand import LARGE, SMALL
from scheduler.rules.supply.bands import (
    CLASSES,
    DEFAULT_HERTZ_PCT,
    DEFAULT_VOLTS_PCT,
    HERTZ_OVER,
    HERTZ_UNDER,
    NOMINAL_NEAR,
    SETTING_DOWN_PCT,
    SETTING_PCT,
    SMALL_KW,
    SMALL_STEADY_PCT,
    SMALL_VOLTS_PCT,
)
from scheduler.rules.supply.circuits import DEAD_SHARE as CIRCUIT_DEAD_SHARE
from scheduler.rules.supply.circuits import HIGH_SHARE
from scheduler.rules.supply.circuits import LOW_SHARE as CIRCUIT_LOW_SHARE
from scheduler.rules.supply.circuits import STANDING_SHARE as STANDING_SHARE_MOST
from scheduler.rules.supply.drift import CHANCE, LEAST, MOVED_SHARE
from scheduler.rules.supply.iti import most as iti_most
from scheduler.rules.supply.legs import LEG_HIGH, LEG_LOW, UNBALANCE_PCT
from scheduler.rules.supply.settled import DEAD_SHARE, SETTLE_S
from scheduler.rules.supply.standing import START_SIGN_S
from scheduler.rules.supply.watch import STANDING_SHARE, STRAY_SHARE
from scheduler.turns.undelivered import LATELY_S
from scheduler.turns.uplink import LINE_SETS_LEAST, LINE_SHARE_LEAST, LINE_WITHIN_S

H, D, MIN = 3600, 86_400, 60


def pct(share: float) -> str:
    return f"{100 * share:g} %"


def classes(name: str) -> str:
    """5.0, 2.5 or 1.0 %: of the classes G1 to G3."""
    one, two, three = (getattr(CLASSES[c], name) for c in ("G1", "G2", "G3"))
    return f"{one}, {two} or {three} %"


def triggers() -> tuple[str, ...]:
    """Failures in so many demands."""
    (a, x), (b, y), (c, z) = AT_95.windows
    return (f"{x} of the last {a} demands, {y} of {b} or {z} of {c}",)


TASK = Task(id="", name="")
HARDER = HarderRules()
DRIFT = (
    f"{LEAST + 1} like runs on, the first {LEAST}",
    f"once in {1 / CHANCE:g}",
    f"{pct(MOVED_SHARE)} of the way",
)
BAND_HELD = (
    f"For {defaults.LIMIT_ON_S} s",
    f"{SETTLE_S} s after the start",
)
STEADY = tuple(f"{CLASSES[c].steady_pct:g}" for c in ("G1", "G2", "G3"))
OF_THREE = f"{RUNS_BAD} of the newest {RUNS_LOOKED}"

LIMITS: dict[str, tuple[str, ...]] = {
    "failed_start": (f"{LARGE.total_s} s", f"{SMALL.total_s} s"),
    "not_in_auto": (f"{defaults.LIMIT_ON_S} s",),
    "starts_unreliable": (
        *triggers(),
        f"screening at {pct(AT_95.target)}",
        f"the {pct(SURE)} Jeffreys",
        f"after {AT_95.recovered} good starts",
    ),
    "harder_starting": (
        f"{HARDER.least} starts within {HARDER.like_c:g} °C",
        f"over {HARDER.span_days} days",
        f"{HARDER.rise_s:g} s and {pct(HARDER.rise_share)}",
        f"{HARDER.rise_attempts:g} of an attempt",
        f"once in {1 / HARDER.chance:g}",
    ),
    "shut_down": (f"{WITH_FAILURE_S} s",),
    "battery_failed_cell": (
        f"under {FAILED_V} V",
        f"by {CHARGED_BY_RUN_V} V",
        f"under {FELL_TO_V} V",
        f"more than {LOST_CHARGER_V} V",
        "Per 12 V",
    ),
    "charger_fault": (
        f"under {LOW_V} V for {UNDER_S // H} h",
        f"from {SETTLED_S // H} h after a run",
        f"{UNDER_DAYS['on_off']:g} days, of a solar",
        f"panel for {UNDER_DAYS['solar']:g} days",
        f"Ends {CLEAR_V} V above",
        "Per 12 V",
    ),
    "over_charge": (
        f"over {OVER_V} V for {OVER_S // H} h",
        f"lower by {COMPENSATION_MV[0]} mV",
        f"above {AT_C:g} °C",
        f"by {COMPENSATION_MV[1]} mV",
        "Per 12 V",
    ),
    "battery_runs_down": (
        f"{LOW_DAYS_LEFT:g} days",
        f"{CRANKS_FROM:g} % or less",
        f"from {CELLS_SOON_DAYS:g} days on",
    ),
    "battery_weak": (
        f"at {LOAD_TEST[-1][0]:g} °C {LOAD_TEST[-1][1]} V",
        f"at {LOAD_TEST[0][0]:g} °C {LOAD_TEST[0][1]} V",
        f"more than {METER_V} V under it and fallen by {FALLEN_BELOW_V} V",
        f"one {FAR_BELOW_V} V under it and fallen by {FAR_FALLEN_V} V",
        f"watch: fallen by {FALLEN_V} V",
        f"under {HALF_PCT:g} %",
        f"within {LIKE_C:g} °C",
    ),
    "battery_old": (f"{OLD_MONTHS} months", f"{OLD_CODE_MONTHS} months"),
    "service_due": (
        f"{SERVICE_SOON_DAYS} days or {pct(SOON_HOURS_SHARE)} of the hours",
        f"over {pct(TASK.tolerance)} of the interval and over {TASK.tolerance_days} days",
    ),
    "oil_check_in_run": (
        f"After {FIRST_H} h of a run, then every {EVERY_H} h",
        f"from {EARLY_S // H} h before",
    ),
    "exercise_missed": (f"Within {WINDOW_S // H} h", "from 2 in a row"),
    "exercise_short": (f"{pct(SHORT_SHARE)} and {SHORT_AT_LEAST_S // MIN} min",),
    "exercise_under_loaded": (
        f"under {pct(LOAD_SHARE)}",
        f"{WARMING_S // MIN} min of warming",
    ),
    "exercise_time": (
        f"{TIME_OFF_S // MIN} min or more",
        f"last {RECENT} matches, {LEARNED_FROM} at least",
    ),
    "code_exercise_not_met": (
        f"{MONTHLY_S // MIN} min a month, a diesel at {pct(MONTHLY_SHARE)}",
        f"{ANNUAL[0][0] // MIN} min at {pct(ANNUAL[0][1])}",
        f"then {ANNUAL[1][0] // MIN} min at {pct(ANNUAL[1][1])}",
    ),
    "fuel_low": (
        f"{pct(FUEL_LOW_SHARE)} of what can be burnt",
        f"{AGREED_H['life']:g} h at a life site",
        f"{AGREED_H['business']:g} h at a business",
        f"{AGREED_H['home']:g} h at a home",
        f"at most {pct(FULL_SHARE)}",
        f"{LASTING_S} s later",
        f"ends {CLEAR_PCT} points",
        f"{PROPANE_PCT[1]:g} down to {PROPANE_PCT[0]:g} %",
    ),
    "mains_lost": (
        f"Under {pct(ABSENT_SHARE)} of nominal for {defaults.LIMIT_ON_S} s",
        f"from {pct(BACK_SHARE)} on",
    ),
    "voltage_out": (
        classes("volts_pct"),
        f"and {SETTING_PCT} % for its setting",
        f"up to {SMALL_KW:g} kW {SMALL_VOLTS_PCT} %",
        f"without a class {DEFAULT_VOLTS_PCT} %",
        f"from {pct(STANDING_SHARE_MOST)} of its own nominal on",
        *BAND_HELD,
    ),
    "frequency_out": (
        classes("droop_pct"),
        f"{SETTING_DOWN_PCT} % downwards",
        f"cylinders, {DEFAULT_HERTZ_PCT} %",
        *BAND_HELD,
    ),
    "over_voltage": (
        f"{pct(HIGH_SHARE)} of nominal",
        f"{SETTLE_S} s after",
        f"stands {pct(iti_most(0.5))}",
        f"stands {pct(STANDING_SHARE_MOST)} for good",
        f"{round(100 * (HIGH_SHARE - STANDING_SHARE_MOST))} points",
    ),
    "open_neutral": (f"over {pct(LEG_HIGH)}", f"under {pct(LEG_LOW)}"),
    "leg_out": (
        f"Under {pct(CIRCUIT_LOW_SHARE)} of its own nominal for {defaults.LIMIT_ON_S} s",
        f"dead under {pct(CIRCUIT_DEAD_SHARE)}",
    ),
    "no_output": (f"Under {pct(DEAD_SHARE)} of nominal for {defaults.LIMIT_ON_S} s",),
    "volts_standing": (
        f"{pct(STANDING_SHARE)} of nominal for {defaults.LIMIT_ON_S} s",
        f"in the {START_SIGN_S // MIN} min before",
    ),
    "stray_volts": (f"From {pct(STRAY_SHARE)}", f"under {pct(STANDING_SHARE)}"),
    "voltage_drift": DRIFT,
    "frequency_drift": DRIFT,
    "hunting": (
        f"{STEADY[0]}, {STEADY[1]} or {STEADY[2]} %",
        f"cylinders {SMALL_STEADY_PCT} %",
        OF_THREE,
    ),
    "unbalance": (f"{UNBALANCE_PCT} % between", OF_THREE),
    "wrong_nominal": (
        f"Within {pct(NOMINAL_NEAR)}",
        f"from {pct(HERTZ_UNDER)} under to {pct(HERTZ_OVER)} over the other of 50 and 60 Hz",
        f"{LEAST_DAYS} at least",
        "6, 12, 24, 36 or 48 V",
    ),
    "not_reporting": (
        f"{defaults.SILENT_HABITS:g} of its own intervals",
        f"at least {defaults.SILENT_AT_LEAST_S // MIN} min",
        f"report and {pct(defaults.SILENT_SLEEPING_MARGIN)}",
        f"for {NEVER_HEARD_S // H} h",
    ),
    "sim_ending": (f"{AHEAD_DAYS} days", f"from {CARD_SOON_DAYS} days"),
    "data_budget": (f"{pct(USED_SHARE)}", f"{MESSAGE_OVERHEAD_B} bytes"),
    "meter_reset": (f"{METER.confirm_n} readings or {METER.confirm_s // MIN} min",),
    "meter_rolled_over": (
        f"within {pct(METER.near)}",
        f"for {ROLL_OVER_SHOWN_S // D} days",
    ),
    "meter_disagrees": (
        f"{pct(CROSS_CHECK_SHARE)} and {CROSS_CHECK_H} h",
        f"over {CROSS_CHECK_S // D} days",
    ),
    "hour_format_asked": (
        f"{LEAPS_LEAST['hours_minutes']} leaps",
        f".{MINUTES_IN_H} or more",
        f"or {LEAPS_LEAST['minutes']} of",
        f"{COUNTS_FASTER} times",
        f"{pct(LEAPS_SHARE)}",
    ),
    "uses_integrated_hours": (
        f"{STANDING_AT_LEAST_H} h and {pct(METER_STANDING_SHARE)}",
        f"at least {pct(STANDING_WATCHED)}",
    ),
    "clock_wrong": (
        f"Before {datetime.fromtimestamp(defaults.CLOCK_EPOCH, UTC).year}",
        f"{defaults.CLOCK_AHEAD_S // MIN} min ahead",
        f"in steps of more than {STEP_AT_MOST_S} s",
        f"standing still for {defaults.CLOCK_AHEAD_S // MIN} min",
        f"for {CLOCK_SHOWN_S // H} h",
    ),
    "sequence_gaps": (),
    "mains_outage": (
        f"{SITES_LEAST} sites, and {SETS_LEAST} sets",
        f"{pct(SHARE_LEAST)} of the area",
        f"within {WITHIN_S // MIN} min",
    ),
    "own_line": (
        f"{LINE_SETS_LEAST} sets and {pct(LINE_SHARE_LEAST)}",
        f"within {LINE_WITHIN_S // MIN} min",
    ),
    "undelivered": (
        f"{defaults.MESSAGE_LATE_S // MIN} min after",
        f"until {LATELY_S // D} days",
    ),
}

SOURCES = re.compile(
    r"NFPA 110, \d[\d.]*(?: and \d[\d.]*)?|NFPA \d+|UFGS \w+, [\d.]+|NUMARC 87-00 rev\. \d"
    r"|Regulatory Guide [\d.]+|NIST e-Handbook, [\d.]+|NIST/SEMATECH e-Handbook, [\d.]+"
    r"|Gilbert \d+|EPA QA/G-9S|ISO 8528-5:2025, Table \d|ITI \(CBEMA\) curve, \d+|\(\d[\d.]+, second"
    r"|ANSI C84\.1|IEC 60038|NEMA MG 1|G1(?:, G2, G3)?|G[23]"
)
"""Documents, editions and clauses, whose numbers are names."""
OF_DOCUMENTS: dict[str, tuple[str, ...]] = {
    "leg_out": ("longer than 10 s",),
    "unbalance": ("from 1 % on",),
}
"""Numbers of a document, or of a rule that keeps them in no constant."""


def unspelled(kind: str, said: str) -> list[str]:
    """Figures of the rules that the limits of a kind do not spell."""
    return [figure for figure in LIMITS[kind] if figure not in said]


def unfounded(kind: str, said: str) -> str:
    """What is left of the digits when every figure of the rules and every document is taken out."""
    for figure in (*LIMITS[kind], *OF_DOCUMENTS.get(kind, ())):
        said = said.replace(figure, "")
    return "".join(re.findall(r"\d", SOURCES.sub("", said)))
