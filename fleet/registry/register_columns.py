"""The columns of the register: one table of names, how a cell is read and what it must hold."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, get_args

import msgspec
from dateutil.rrule import rrulestr

from fleet.channels import NAMES as CHANNEL_NAMES
from fleet.defaults import RUNNING_HOLD_OFF_S, RUNNING_HOLD_ON_S, RUNNING_OFF_SHARE
from fleet.model import (
    Charger,
    Chemistry,
    Cooling,
    Criticality,
    Fuel,
    Habit,
    HabitMode,
    Placement,
    RunningSignal,
    SignalChannel,
    Site,
    Unit,
)
from fleet.registry import cells
from fleet.registry.cells import CellFault

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


def _performance_class(value: Any) -> str:
    return cells.word(value, ("G1", "G2", "G3", "G4"))


def _battery_volts(value: Any) -> float:
    found = cells.number(value, 1, 100)
    if found not in (6, 12, 24, 36, 48):
        raise CellFault(f"is {found:g}: expected 12 or 24 (6, 36 and 48 are known too).")
    return found


def habit(value: Any) -> Habit:
    """A reporting habit: 'steady 900 60' (seconds standing, running), 'on_change 86400'
    (heartbeat), 'sleeping 21600' (seconds between reports), or JSON with those names."""
    if isinstance(value, Mapping) or str(value).lstrip().startswith("{"):
        return _habit_of_json(value)
    first, *rest = str(value).split()
    mode: Any = cells.word(first, get_args(HabitMode))
    lengths = [cells.whole(one, 1, 40 * 86_400) for one in rest]
    if mode == "steady" and len(lengths) in (1, 2):
        return Habit(mode=mode, standing_s=lengths[0], running_s=lengths[-1], source="register")
    if mode == "on_change" and len(lengths) == 1:
        return Habit(mode=mode, heartbeat_s=lengths[0], source="register")
    if mode == "sleeping" and len(lengths) in (1, 2):
        return Habit(mode=mode, standing_s=lengths[0], running_s=lengths[-1], source="register")
    raise CellFault(
        f"is {cells.shown(value)}: expected 'steady 900 60' (seconds standing, running), "
        "'on_change 86400' (heartbeat) or 'sleeping 21600'."
    )


def _habit_of_json(value: Any) -> Habit:
    try:
        given = value if isinstance(value, Mapping) else msgspec.json.decode(str(value))
        found = msgspec.convert({**given, "source": "register"}, Habit)
    except (msgspec.DecodeError, msgspec.ValidationError, TypeError) as fault:
        raise CellFault(f"cannot be read as JSON: {fault}.") from None
    unknown = sorted(set(given) - set(Habit.__struct_fields__))
    if unknown:
        raise CellFault(f"names {unknown[0]}.{cells.nearest(unknown[0], Habit.__struct_fields__)}")
    if min(found.standing_s, found.running_s, found.heartbeat_s) < 1:
        raise CellFault("has a length under 1 s.")
    return found


def habit_text(found: Habit | None) -> str:
    """The habit as its cell."""
    if found is None:
        return ""
    if found.mode == "on_change":
        return f"on_change {found.heartbeat_s}"
    return f"{found.mode} {found.standing_s} {found.running_s}"


def recurrence(value: Any) -> str:
    """An exercise: 'DTSTART:20260106T100000 RRULE:FREQ=WEEKLY;BYDAY=TU' (RFC 5545), local time.

    Kept with a line break between the two. Refused: no start, a zone or Z on it, a rule more
    often than daily.
    """
    lines = re.split(r"[\s]+(?=RRULE:)", str(value).strip(), flags=re.IGNORECASE)
    start = re.fullmatch(r"DTSTART[:=](\d{8}T\d{6})", lines[0].strip(), flags=re.IGNORECASE)
    expected = (
        "expected 'DTSTART:20260106T100000 RRULE:FREQ=WEEKLY;BYDAY=TU', local time of the site."
    )
    if start is None or len(lines) != 2:
        raise CellFault(f"is {cells.shown(value)}: {expected}")
    rule = f"DTSTART:{start[1].upper()}\n{lines[1].strip().upper()}"
    try:
        found = rrulestr(rule)
        first = next(iter(found), None)
    except (ValueError, TypeError, KeyError) as fault:
        raise CellFault(f"is {cells.shown(value)} ({fault}): {expected}") from None
    if first is None:
        raise CellFault(f"is {cells.shown(value)}, which never happens.")
    if re.search(r"FREQ=(HOURLY|MINUTELY|SECONDLY)", rule):
        raise CellFault(f"is {cells.shown(value)}: an exercise is daily at most.")
    return rule


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
    Column("performance_class", _performance_class),
    Column("battery_nominal_v", _battery_volts),
    Column("battery_chemistry", _word(Chemistry)),
    Column("battery_ah", _number(1, 10_000)),
    Column("battery_fitted", cells.iso_date),
    Column("charger", _word(Charger)),
    Column("running_signal", lambda value: cells.word(value, CHANNEL_NAMES), True),
    Column("running_on", VOLTS, True),
    Column("running_off", VOLTS),
    Column("running_signal_2", lambda value: cells.word(value, CHANNEL_NAMES)),
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
    {"running", "habit", "nominal_v", "nominal_hz", "battery_nominal_v", "idle_down", "inverter",
     "phases", "cooling", "fuel", "exercise", "exercise_minutes", "engine_hours",
     "engine_hours_at", "cranking_cycle_s", "hour_meter_digits", "laid_up_from", "laid_up_to"}
)  # fmt: skip
"""Fields of Unit on which computed days stand; others change the assessment only."""


def running_of(cell: Mapping[str, Any]) -> RunningSignal:
    """The running signal of a row's read cells. Raises KeyError never, CellFault with a column.

    off defaults to 90 % of on; hold_s is the hold before a stop counts.
    """
    first = _signal(cell, "")
    second = _signal(cell, "_2") if "running_signal_2" in cell else None
    if second is None and ("running_on_2" in cell or "running_off_2" in cell):
        raise ColumnFault("running_signal_2", "is missing though running_on_2 or _off_2 is given.")
    return RunningSignal(
        first=first,
        second=second,
        join=cell.get("running_join", "either"),
        hold_on_s=RUNNING_HOLD_ON_S,
        hold_off_s=cell.get("running_hold_s", RUNNING_HOLD_OFF_S),
    )


def usual_off(on: float | str | None) -> float | None:
    """The off threshold of a running signal for which none is said."""
    return round(on * RUNNING_OFF_SHARE, 6) if isinstance(on, float) else None


class ColumnFault(CellFault):
    """A row contradicts itself at a column."""

    def __init__(self, column: str, message: str) -> None:
        super().__init__(message)
        self.column = column


def _signal(cell: Mapping[str, Any], suffix: str) -> SignalChannel:
    channel = cell["running_signal" + suffix]
    if "running_on" + suffix not in cell:
        raise ColumnFault(
            "running_on" + suffix, f"is missing: from which value on does {channel} mean running?"
        )
    on = cell["running_on" + suffix]
    off = cell.get("running_off" + suffix, usual_off(on))
    if off > on:
        raise ColumnFault("running_off" + suffix, f"is {off:g}, above running_on{suffix} ({on:g}).")
    return SignalChannel(channel, on, off)


def row_of(unit: Unit, site: Site, customer: str, group: str) -> dict[str, Any]:
    """A unit as a row of the register: what an export writes and an import reads back."""
    row: dict[str, Any] = {name: getattr(unit, name) for name in PLAIN}
    row |= {
        "customer": customer, "site": site.name, "address": site.address, "lat": site.lat,
        "lon": site.lon, "time_zone": site.time_zone, "unit": unit.id, "device": unit.device,
        "group": group, "habit": habit_text(unit.habit), "running_join": unit.running.join,
        "running_hold_s": unit.running.hold_off_s,
    }  # fmt: skip
    for suffix, signal in (("", unit.running.first), ("_2", unit.running.second)):
        if signal is not None:
            row |= {
                f"running_signal{suffix}": signal.channel,
                f"running_on{suffix}": signal.on,
                f"running_off{suffix}": signal.off,
            }
    row["exercise"] = unit.exercise.replace("\n", " ")
    if unit.engine_hours_at is not None:
        row["engine_hours_at"] = cells.utc_text(unit.engine_hours_at)
    for name in ("idle_down", "inverter"):
        row[name] = "yes" if row[name] else "no"
    return {name: "" if row.get(name) is None else row[name] for name in NAMES}
