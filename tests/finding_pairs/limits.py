"""The numbers of each kind's limits, out of the rules' own constants, as its entry must spell them.

The rooms of findings cannot know the rules, which stand above them; the tests see both. A figure that
an entry does not spell, and a figure it spells that no constant gives, fail.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime

from fleet import defaults
from fleet.model import Task
from ingest.pulses import MESSAGE_OVERHEAD_B
from scheduler.assess import card, findings, fuel, readiness
from scheduler.assess.battery import findings as cells
from scheduler.assess.battery import looking as cells_seen
from scheduler.assess.hours import check, meter
from scheduler.assess.supply import by_runs
from scheduler.outage import grouping
from scheduler.rules import mains, reliability
from scheduler.rules.battery import charger, cranking, tables, verdict
from scheduler.rules.battery.watch import OVER_S, SETTLED_S, UNDER_S
from scheduler.rules.exercise import terms, year
from scheduler.rules.fuel import level
from scheduler.rules.hours.terms import RULES as METER
from scheduler.rules.service import long_run, reckon
from scheduler.rules.starting.terms import LARGE, SMALL
from scheduler.rules.supply import bands, circuits, legs
from scheduler.rules.supply.drift import CHANCE, LEAST, MOVED_SHARE
from scheduler.rules.supply.settled import DEAD_SHARE, SETTLE_S
from scheduler.rules.supply.standing import START_SIGN_S
from scheduler.rules.supply.watch import STANDING_SHARE, STRAY_SHARE
from scheduler.turns import own_line, undelivered

H, D, MIN = 3600, 86_400, 60


def pct(share: float) -> str:
    return f"{100 * share:g} %"


def classes(name: str) -> str:
    """5.0, 2.5 or 1.0 %: of the classes G1 to G3."""
    one, two, three = (getattr(bands.CLASSES[c], name) for c in ("G1", "G2", "G3"))
    return f"{one}, {two} or {three} %"


def triggers() -> tuple[str, ...]:
    """Failures in so many demands."""
    (a, x), (b, y), (c, z) = reliability.AT_95.windows
    return (f"{x} of the last {a} demands, {y} of {b} or {z} of {c}",)


TASK = Task(id="", name="")
HARDER = reliability.HarderRules()
DRIFT = (
    f"{LEAST + 1} like runs on, the first {LEAST}",
    f"once in {1 / CHANCE:g}",
    f"{pct(MOVED_SHARE)} of the way",
)
BAND_HELD = (
    f"For {defaults.LIMIT_ON_S} s",
    f"{SETTLE_S} s after the start",
)
STEADY = tuple(f"{bands.CLASSES[c].steady_pct:g}" for c in ("G1", "G2", "G3"))
OF_THREE = f"{by_runs.RUNS_BAD} of the newest {by_runs.RUNS_LOOKED}"

LIMITS: dict[str, tuple[str, ...]] = {
    "failed_start": (f"{LARGE.total_s} s", f"{SMALL.total_s} s"),
    "not_in_auto": (f"{defaults.LIMIT_ON_S} s",),
    "starts_unreliable": (
        *triggers(),
        f"screening at {pct(reliability.AT_95.target)}",
        f"the {pct(reliability.SURE)} Jeffreys",
        f"after {reliability.AT_95.recovered} good starts",
    ),
    "harder_starting": (
        f"{HARDER.least} starts within {HARDER.like_c:g} °C",
        f"over {HARDER.span_days} days",
        f"{HARDER.rise_s:g} s and {pct(HARDER.rise_share)}",
        f"{HARDER.rise_attempts:g} of an attempt",
        f"once in {1 / HARDER.chance:g}",
    ),
    "shut_down": (f"{readiness.WITH_FAILURE_S} s",),
    "battery_failed_cell": (
        f"under {verdict.FAILED_V} V",
        f"by {verdict.CHARGED_BY_RUN_V} V",
        f"under {verdict.FELL_TO_V} V",
        f"more than {verdict.LOST_CHARGER_V} V",
        "Per 12 V",
    ),
    "charger_fault": (
        f"under {tables.LOW_V} V for {UNDER_S // H} h",
        f"from {SETTLED_S // H} h after a run",
        f"{charger.UNDER_DAYS['on_off']:g} days, of a solar",
        f"panel for {charger.UNDER_DAYS['solar']:g} days",
        f"Ends {tables.CLEAR_V} V above",
        "Per 12 V",
    ),
    "over_charge": (
        f"over {tables.OVER_V} V for {OVER_S // H} h",
        f"lower by {tables.COMPENSATION_MV[0]} mV",
        f"above {tables.AT_C:g} °C",
        f"by {tables.COMPENSATION_MV[1]} mV",
        "Per 12 V",
    ),
    "battery_runs_down": (
        f"{cells_seen.LOW_DAYS_LEFT:g} days",
        f"{charger.CRANKS_FROM:g} % or less",
        f"from {cells.SOON_DAYS:g} days on",
    ),
    "battery_weak": (
        f"at {tables.LOAD_TEST[-1][0]:g} °C {tables.LOAD_TEST[-1][1]} V",
        f"at {tables.LOAD_TEST[0][0]:g} °C {tables.LOAD_TEST[0][1]} V",
        f"more than {cranking.METER_V} V under it and fallen by {cranking.FALLEN_BELOW_V} V",
        f"one {cranking.FAR_BELOW_V} V under it and fallen by {cranking.FAR_FALLEN_V} V",
        f"watch: fallen by {cranking.FALLEN_V} V",
        f"under {verdict.HALF_PCT:g} %",
        f"within {cranking.LIKE_C:g} °C",
    ),
    "battery_old": (f"{cells.OLD_MONTHS} months", f"{cells.OLD_CODE_MONTHS} months"),
    "service_due": (
        f"{reckon.SOON_DAYS} days or {pct(reckon.SOON_HOURS_SHARE)} of the hours",
        f"over {pct(TASK.tolerance)} of the interval and over {TASK.tolerance_days} days",
    ),
    "oil_check_in_run": (
        f"After {long_run.FIRST_H} h of a run, then every {long_run.EVERY_H} h",
        f"from {long_run.EARLY_S // H} h before",
    ),
    "exercise_missed": (f"Within {terms.WINDOW_S // H} h", "from 2 in a row"),
    "exercise_short": (f"{pct(terms.SHORT_SHARE)} and {terms.SHORT_AT_LEAST_S // MIN} min",),
    "exercise_under_loaded": (
        f"under {pct(terms.LOAD_SHARE)}",
        f"{terms.WARMING_S // MIN} min of warming",
    ),
    "exercise_time": (
        f"{terms.TIME_OFF_S // MIN} min or more",
        f"last {terms.RECENT} matches, {terms.LEARNED_FROM} at least",
    ),
    "code_exercise_not_met": (
        f"{year.MONTHLY_S // MIN} min a month, a diesel at {pct(year.MONTHLY_SHARE)}",
        f"{year.ANNUAL[0][0] // MIN} min at {pct(year.ANNUAL[0][1])}",
        f"then {year.ANNUAL[1][0] // MIN} min at {pct(year.ANNUAL[1][1])}",
    ),
    "fuel_low": (
        f"{pct(fuel.LOW_SHARE)} of what can be burnt",
        f"{fuel.AGREED_H['life']:g} h at a life site",
        f"{fuel.AGREED_H['business']:g} h at a business",
        f"{fuel.AGREED_H['home']:g} h at a home",
        f"at most {pct(fuel.FULL_SHARE)}",
        f"{fuel.LASTING_S} s later",
        f"ends {level.CLEAR_PCT} points",
        f"{level.PROPANE_PCT[1]:g} down to {level.PROPANE_PCT[0]:g} %",
    ),
    "mains_lost": (
        f"Under {pct(mains.ABSENT_SHARE)} of nominal for {defaults.LIMIT_ON_S} s",
        f"from {pct(mains.BACK_SHARE)} on",
    ),
    "voltage_out": (
        classes("volts_pct"),
        f"and {bands.SETTING_PCT} % for its setting",
        f"up to {bands.SMALL_KW:g} kW {bands.SMALL_VOLTS_PCT} %",
        f"without a class {bands.DEFAULT_VOLTS_PCT} %",
        *BAND_HELD,
    ),
    "frequency_out": (
        classes("droop_pct"),
        f"{bands.SETTING_DOWN_PCT} % downwards",
        f"cylinders, {bands.DEFAULT_HERTZ_PCT} %",
        *BAND_HELD,
    ),
    "over_voltage": (f"{pct(circuits.HIGH_SHARE)} of nominal", f"{SETTLE_S} s after"),
    "open_neutral": (f"over {pct(legs.LEG_HIGH)}", f"under {pct(legs.LEG_LOW)}"),
    "leg_out": (
        f"Under {pct(circuits.LOW_SHARE)} of its own nominal for {defaults.LIMIT_ON_S} s",
        f"dead under {pct(circuits.DEAD_SHARE)}",
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
        f"cylinders {bands.SMALL_STEADY_PCT} %",
        OF_THREE,
    ),
    "unbalance": (f"{legs.UNBALANCE_PCT} % between", OF_THREE),
    "wrong_nominal": (f"Within {pct(bands.NOMINAL_NEAR)}",),
    "not_reporting": (
        f"{defaults.SILENT_HABITS:g} of its own intervals",
        f"at least {defaults.SILENT_AT_LEAST_S // MIN} min",
        f"report and {pct(defaults.SILENT_SLEEPING_MARGIN)}",
        f"for {findings.NEVER_HEARD_S // H} h",
    ),
    "sim_ending": (f"{card.AHEAD_DAYS} days", f"from {card.SOON_DAYS} days"),
    "data_budget": (f"{pct(card.USED_SHARE)}", f"{MESSAGE_OVERHEAD_B} bytes"),
    "meter_reset": (f"{METER.confirm_n} readings or {METER.confirm_s // MIN} min",),
    "meter_rolled_over": (
        f"within {pct(METER.near)}",
        f"for {findings.ROLL_OVER_SHOWN_S // D} days",
    ),
    "meter_disagrees": (
        f"{pct(check.CROSS_CHECK_SHARE)} and {check.CROSS_CHECK_H} h",
        f"over {check.CROSS_CHECK_S // D} days",
    ),
    "uses_integrated_hours": (
        f"{meter.STANDING_AT_LEAST_H} h and {pct(meter.STANDING_SHARE)}",
        f"at least {pct(meter.STANDING_WATCHED)}",
    ),
    "clock_wrong": (
        f"Before {datetime.fromtimestamp(defaults.CLOCK_EPOCH, UTC).year}",
        f"{defaults.CLOCK_AHEAD_S // MIN} min ahead",
        f"for {findings.CLOCK_SHOWN_S // H} h",
    ),
    "sequence_gaps": (),
    "mains_outage": (
        f"{grouping.SITES_LEAST} sites, and {grouping.SETS_LEAST} sets",
        f"{pct(grouping.SHARE_LEAST)} of the area",
        f"within {grouping.WITHIN_S // MIN} min",
    ),
    "own_line": (
        f"{own_line.LINE_SETS_LEAST} sets and {pct(own_line.LINE_SHARE_LEAST)}",
        f"within {own_line.LINE_WITHIN_S // MIN} min",
    ),
    "undelivered": (
        f"{undelivered.LATE_S // MIN} min after",
        f"until {undelivered.LATELY_S // D} days",
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
    "wrong_nominal": ("2.5 % of the other of 50 and 60 Hz",),
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
