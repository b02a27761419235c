"""The columns of the register: one table of names, how a cell is read and what it must hold."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, get_args

import msgspec

from fleet import channels, wiring
from fleet.model import Charger, Chemistry, Cooling, Criticality, Fuel, Placement, System, Unit
from fleet.registry.base import cells
from fleet.registry.base.cells import CellFault
from fleet.registry.register.composed import habit, recurrence

Read = Callable[[Any], Any]


class Column(msgspec.Struct, frozen=True):
    """One column. required: no row without it."""

    name: str
    read: Read
    required: bool = False


def _number(least: float, most: float) -> Read:
    return lambda value: cells.number(value, least, most)


def _whole(least: int, most: int) -> Read:
    return lambda value: cells.whole(value, least, most)


def _word(kind: Any, **also: str) -> Read:
    return lambda value: cells.word(value, get_args(kind), also)


def _latitude(value: Any) -> float:
    found = cells.number(value, -180, 180)
    if abs(found) > 90:
        raise CellFault(f"is {found:g}, beyond 90: are lat and lon swapped?")
    return found


def _moment_text(value: Any) -> str:
    """A time, checked; read for good once the site's zone is known."""
    cells.moment(value, "UTC")
    return str(value).strip()


def _phases(value: Any) -> str:
    also = {"1.0": "1", "3.0": "3", "single": "1", "one": "1", "three": "3"}
    return cells.word(value, ("1", "split", "3"), also)


SYSTEM_WORDS = {
    "star": "wye",
    "y": "wye",
    "split_phase": "split",
    "single_phase": "single",
    "high-leg": "high_leg",
    "corner_earthed": "corner",
}


def _system(value: Any) -> str:
    return cells.word(value, get_args(System), SYSTEM_WORDS)


def _senses(value: Any) -> dict[str, str]:
    """What leads sense, as a text or, in JSON, as an object."""
    try:
        if isinstance(value, Mapping):
            value = " ".join(f"{lead}={sensed}" for lead, sensed in value.items())
        return wiring.read_senses(cells.text(value))
    except ValueError as fault:
        raise CellFault(str(fault)) from None


def _performance_class(value: Any) -> str:
    return cells.word(value, ("G1", "G2", "G3", "G4"))


def _battery_volts(value: Any) -> float:
    found = cells.number(value, 1, 100)
    if found not in (6, 12, 24, 36, 48):
        raise CellFault(f"is {found:g}: expected 12 or 24 (6, 36 and 48 are known too).")
    return found


VOLTS = _number(-10_000, 10_000)
HOURS = _number(0, 1_000_000)


COLUMNS: tuple[Column, ...] = (
    Column("customer", cells.text, True),
    Column("site", cells.text, True),
    Column("address", cells.text),
    Column("lat", _latitude),
    Column("lon", _number(-180, 180)),
    Column("time_zone", cells.time_zone),
    Column("unit", cells.identifier, True),
    Column("device", cells.identifier),
    Column("group", cells.identifier),
    Column("area", cells.text),
    Column("make", cells.text),
    Column("model", cells.text),
    Column("serial", cells.text),
    Column("cooling", _word(Cooling, water="liquid")),
    Column("fuel", _word(Fuel, gasoline="petrol", propane="lpg")),
    Column("cylinders", _whole(1, 32)),
    Column("idle_down", cells.flag),
    Column("inverter", cells.flag),
    Column("rated_kw", _number(0.1, 20_000)),
    Column("nominal_v", _number(10, 1_000), True),
    Column("nominal_hz", _number(10, 500), True),
    Column("phases", _phases),
    Column("system", _system),
    Column("line_v", _number(10, 1_500)),
    Column("senses", _senses),
    Column("bus", cells.identifier),
    Column("performance_class", _performance_class),
    Column("battery_nominal_v", _battery_volts),
    Column("battery_chemistry", _word(Chemistry)),
    Column("battery_ah", _number(1, 10_000)),
    Column("battery_fitted", cells.iso_date),
    Column("charger", _word(Charger)),
    Column("running_signal", lambda value: cells.word(value, channels.NAMES), True),
    Column("running_on", VOLTS, True),
    Column("running_off", VOLTS),
    Column("running_signal_2", lambda value: cells.word(value, channels.NAMES)),
    Column("running_on_2", VOLTS),
    Column("running_off_2", VOLTS),
    Column("running_join", lambda value: cells.word(value, ("either", "both"))),
    Column("running_hold_s", _whole(0, 86_400)),
    Column("habit", habit),
    Column("service_plan", cells.identifier, True),
    Column("engine_hours", HOURS),
    Column("engine_hours_at", _moment_text),
    Column("last_service", cells.iso_date),
    Column("last_service_hours", HOURS),
    Column("exercise", recurrence),
    Column("exercise_minutes", _number(0.5, 1_440)),
    Column("exercise_load", _number(0, 100)),
    Column("tank_l", _number(0.1, 1_000_000)),
    Column("placement", _word(Placement)),
    Column("criticality", _word(Criticality)),
    Column("contact", cells.text),
    Column("phone", cells.text),
    Column("sim", cells.text),
    Column("sim_ends", cells.iso_date),
    Column("data_mb_month", _number(0.01, 1_000_000)),
    Column("laid_up_from", cells.iso_date),
    Column("laid_up_to", cells.iso_date),
    Column("technician", cells.text),
    Column("cranking_cycle_s", _whole(1, 3_600)),
    Column("hour_meter_digits", _whole(3, 9)),
    Column("nfpa_110", cells.flag),
    Column("warranty_to", cells.iso_date),
    Column("volts_band_pct", _number(0.5, 50)),
    Column("hertz_band_pct", _number(0.5, 50)),
    Column("fuel_hours", _number(0.1, 10_000)),
)
BY_NAME: dict[str, Column] = {column.name: column for column in COLUMNS}
NAMES: tuple[str, ...] = tuple(BY_NAME)
REQUIRED: tuple[str, ...] = tuple(column.name for column in COLUMNS if column.required)
PLAIN: tuple[str, ...] = tuple(
    name
    for name in NAMES
    if name in Unit.__struct_fields__ and name not in ("customer", "site", "device")
)
"""Columns that are a field of Unit of the same name and value."""
DAYS_CHANGE: frozenset[str] = frozenset(
    {
        "running",
        "habit",
        "nominal_v",
        "nominal_hz",
        "battery_nominal_v",
        "idle_down",
        "inverter",
        "phases",
        "system",
        "line_v",
        "senses",
        "bus",
        "rated_kw",
        "cooling",
        "fuel",
        "exercise",
        "exercise_minutes",
        "engine_hours",
        "engine_hours_at",
        "cranking_cycle_s",
        "hour_meter_digits",
        "laid_up_from",
        "laid_up_to",
    }
)
"""Fields of Unit on which computed days stand; others change the assessment only."""
