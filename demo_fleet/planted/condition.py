"""What is planted of the state of the sets: battery, charger, volts, hertz, fuel, their mains.

Like `faults`: a kind is cast on one set, and what should be found is written down in words.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from demo_fleet.customers import Model
from demo_fleet.machine import Ails, Script
from fleet.findings import Facts, Severity
from fleet.findings.battery import (
    BatteryFailedCell,
    BatteryRunsDown,
    BatteryWeak,
    ChargerFault,
    OverCharge,
)
from fleet.findings.fuel import FuelLow
from fleet.findings.mains import MainsLost
from fleet.findings.supply import (
    FrequencyDrift,
    Hunting,
    LegOut,
    NoOutput,
    OpenNeutral,
    OverVoltage,
    Unbalance,
    VoltageDrift,
    VoltsStanding,
)

DAY_S, HOUR_S = 86_400, 3_600
CAST: dict[int, str] = {
    18: "unbalance",
    19: "fuel_low",
    22: "leg_dead",
    23: "charging_output_tied",
    26: "mains_gas",
    27: "no_output",
    30: "cold_week",
    33: "heavier_customer",
    34: "over_charge",
    36: "battery_ages",
    38: "split_uneven",
    39: "new_battery",
    40: "governor_drifts",
    41: "battery_runs_down",
    44: "volts_standing",
    46: "legs_uneven",
    47: "idle_down",
    48: "failed_cell",
    49: "hunting",
    50: "inverter",
    51: "own_main_switch",
    52: "regulator_drifts",
    54: "charger_lost",
    55: "over_voltage",
    56: "dual_fuel",
    59: "open_neutral",
}
SPLIT = frozenset({"open_neutral", "split_uneven"})
"""On a rural supply of 460 V with its middle on earth, as many farms have: legs of 230 V."""
THREE = frozenset({"leg_dead"})
"""Three phases on a model that has else one."""
BY_CHARGE = frozenset({"idle_down"})
"""Whose running signal is the charging output: it runs with hardly any volts."""
BY_ENGINE = frozenset({"volts_standing"})
"""Whose device knows from the engine itself whether it turns."""
BOTH_SIGNALS = frozenset({"no_output"})
STEADY = frozenset({"battery_runs_down", "inverter", "legs_uneven"})
"""Report steadily whatever the set's number says."""
WEEKLY = frozenset(
    {
        "battery_ages",
        "governor_drifts",
        "regulator_drifts",
        "hunting",
        "unbalance",
        "over_voltage",
        "open_neutral",
        "leg_dead",
        "legs_uneven",
        "no_output",
        "new_battery",
        "heavier_customer",
        "cold_week",
    }
)
"""Exercise weekly, 20 min: what is promised of them needs so many runs."""
UNTOUCHED = WEEKLY | frozenset(
    {
        "charger_lost",
        "over_charge",
        "failed_cell",
        "volts_standing",
        "battery_runs_down",
        "fuel_low",
        "own_main_switch",
    }
)
"""Serviced 300 days ago, and no meter was on it since."""
UNTOUCHED_DAYS = 300
NO_EXERCISE = frozenset({"battery_runs_down"})
QUIET = frozenset({"battery_runs_down", "over_charge", "charger_lost"})
WIRED: dict[str, tuple[str, ...]] = {
    "unbalance": ("ac_l12_v", "ac_l23_v", "ac_l31_v"),
    "open_neutral": ("ac_l1_v", "ac_l2_v"),
    "split_uneven": ("ac_l1_v", "ac_l2_v"),
    "leg_dead": ("ac_l1_v", "ac_l2_v", "ac_l3_v"),
    "legs_uneven": ("ac_l1_v", "ac_l2_v", "ac_l3_v"),
    "heavier_customer": ("load_kw",),
    "battery_ages": ("engine_temp_c",),
    "new_battery": ("engine_temp_c",),
    "cold_week": ("engine_temp_c",),
    "dual_fuel": ("fuel_pct",),
    "volts_standing": ("running",),
}
"""Channels its device has beside the usual ones."""
AGES_DAYS, AGES_V = 200, 2.2
GOVERNOR_DAYS, GOVERNOR_HZ = 200, 1.4
REGULATOR_DAYS, REGULATOR_SHARE = 200, 0.026
HUNTS_HZ, HEAVIER = 1.3, 2.2


class Stage(Protocol):
    """What a script may look at: the moment the demo was made, and exercises of its set."""

    @property
    def origin(self) -> int: ...

    def demanded(self, before: int) -> list[int]:
        """Exercises before a moment that nothing else stood in the way of, oldest first."""


def script_for(kind: str, stage: Stage) -> Script | None:
    make = _AILS.get(kind)
    if make is None:
        return None
    hand: tuple[tuple[int, int], ...] = ()
    if kind == "battery_runs_down":
        hand = ((stage.origin - 12 * DAY_S, stage.origin - 12 * DAY_S + 1800),)
    return Script(ails=make(stage), hand=hand)


def model_of(kind: str, model: Model) -> Model:
    """The model as this set has it."""
    if kind in SPLIT:
        return replace(model, nominal_v=460)
    if kind in THREE:
        return replace(model, nominal_v=400)
    if kind == "mains_gas":
        return replace(model, fuel="natural_gas")
    return replace(model, fuel="dual") if kind == "dual_fuel" else model


def _ago(stage: Stage, days: float) -> int:
    return stage.origin - int(days * DAY_S)


def _before_newest(stage: Stage, count: int) -> int:
    """A minute before one of the newest exercises that went on undisturbed, counted back."""
    return stage.demanded(stage.origin - 2 * HOUR_S)[-count] - 60


def _growing(days: int, size: float) -> Callable[[Stage], tuple[int, float]]:
    return lambda stage: (_ago(stage, days), size / days)


_AILS: dict[str, Callable[[Stage], Ails]] = {
    "battery_ages": lambda s: Ails(battery_ages=_growing(AGES_DAYS, AGES_V)(s)),
    "failed_cell": lambda s: Ails(cell_failed=_ago(s, 6)),
    "charger_lost": lambda s: Ails(charger_lost=_ago(s, 5)),
    "over_charge": lambda s: Ails(over_charged=_ago(s, 4)),
    "battery_runs_down": lambda s: Ails(draws=6.0),
    "governor_drifts": lambda s: Ails(hertz_drifts=_growing(GOVERNOR_DAYS, GOVERNOR_HZ)(s)),
    "regulator_drifts": lambda s: Ails(volts_drift=_growing(REGULATOR_DAYS, REGULATOR_SHARE)(s)),
    "hunting": lambda s: Ails(hunts=(_before_newest(s, 5), HUNTS_HZ)),
    "unbalance": lambda s: Ails(unbalanced=_before_newest(s, 5)),
    "open_neutral": lambda s: Ails(neutral_open=_before_newest(s, 1)),
    "leg_dead": lambda s: Ails(leg_dead=_before_newest(s, 1)),
    "over_voltage": lambda s: Ails(over_volts=_before_newest(s, 1)),
    "no_output": lambda s: Ails(no_output=_before_newest(s, 1)),
    "volts_standing": lambda s: Ails(standing_volts=_ago(s, 2.2)),
    "fuel_low": lambda s: Ails(fuel_taken=(_ago(s, 3.1), 9.0)),
    "heavier_customer": lambda s: Ails(heavier=(_ago(s, 150), HEAVIER)),
    "new_battery": lambda s: Ails(new_battery=(_ago(s, 100), 0.9)),
    "cold_week": lambda s: Ails(cold=(_ago(s, 9), _ago(s, 2), 14.0)),
    "split_uneven": lambda s: Ails(legs_apart=0.035),
    "legs_uneven": lambda s: Ails(legs_apart=0.04),
}

EXPECT: dict[str, tuple[type[Facts], Severity, str]] = {
    "battery_ages": (
        BatteryWeak,
        "same_day",
        "cranks lower and lower for 200 days at like temperature",
    ),
    "failed_cell": (
        BatteryFailedCell,
        "same_day",
        "a cell failed six days ago: 2.2 V lower from one reading to the next, the charger on",
    ),
    "charger_lost": (
        ChargerFault,
        "same_day",
        "its charger was lost five days ago; the battery rests, no cell has failed",
    ),
    "over_charge": (
        OverCharge,
        "same_day",
        "its charger has held 16.4 V (twice that on 24 V) for four days",
    ),
    "battery_runs_down": (
        BatteryRunsDown,
        "same_day",
        "no charger and no exercise: falls day by day since its last run",
    ),
    "governor_drifts": (
        FrequencyDrift,
        "next_visit",
        "its governor has crept up by 1.4 Hz in 200 days",
    ),
    "regulator_drifts": (
        VoltageDrift,
        "next_visit",
        "its regulator has crept up by 2.6 % in 200 days",
    ),
    "hunting": (Hunting, "next_visit", "its speed swings by more than a hertz inside each run"),
    "unbalance": (Unbalance, "next_visit", "one line lies 8 % low against another, line to line"),
    "open_neutral": (
        OpenNeutral,
        "act_now",
        "the neutral came loose: one leg far over, the other far under",
    ),
    "leg_dead": (
        LegOut,
        "act_now",
        "the winding of its third line failed: the two others give their volts as before",
    ),
    "over_voltage": (OverVoltage, "act_now", "its regulator failed: 19 % over nominal"),
    "no_output": (NoOutput, "act_now", "runs without volts: the alternator does not excite"),
    "volts_standing": (
        VoltsStanding,
        "act_now",
        "volts on the set's side while it stands: fed back from the mains, or a lead on the wrong side",
    ),
    "fuel_low": (FuelLow, "same_day", "fuel was taken one night: 9 % is left"),
    "own_main_switch": (
        MainsLost,
        "note",
        "its site alone is without mains: its own main switch",
    ),
}
HEALTHY: dict[str, str] = {
    "heavier_customer": "carries more than twice the load since 150 days: lower hertz by healthy droop, no failing governor",
    "idle_down": "turns slower, and gives fewer volts, whenever nobody draws power: by design",
    "inverter": "an inverter set: its hertz are electronics, no governor finding",
    "split_uneven": "legs of 230 V some 7 % apart under uneven load: no open neutral",
    "legs_uneven": "three lines to neutral some 8 % apart under uneven load: none is dead, the neutral is whole",
    "charging_output_tied": "its charging output reads the battery's volts at rest: no sign of running",
    "new_battery": "a new battery 100 days ago cranks higher: a step up, the trend starts afresh",
    "cold_week": "a week 14 degrees colder: cranks lower as healthy ones do in the cold",
    "mains_gas": "burns mains gas: supplied, no level to be low",
    "dual_fuel": "burns gas or petrol: nobody knows how long it lasts, and nothing is claimed",
}
