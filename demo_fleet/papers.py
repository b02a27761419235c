"""The office's papers of the invented fleet: register and people's records."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import numpy as np

from demo_fleet.assembly import TWO_SIGNALS, DemoSet, Fleet
from demo_fleet.customers import ZONE
from demo_fleet.machine import FOREVER, values
from demo_fleet.machine.noise import one
from demo_fleet.planted import condition
from demo_fleet.schedule import DAY_S

REGISTER_COLUMNS: tuple[str, ...] = (
    "customer",
    "site",
    "address",
    "lat",
    "lon",
    "time_zone",
    "unit",
    "device",
    "group",
    "area",
    "make",
    "model",
    "serial",
    "cooling",
    "fuel",
    "cylinders",
    "idle_down",
    "inverter",
    "rated_kw",
    "nominal_v",
    "nominal_hz",
    "phases",
    "performance_class",
    "battery_nominal_v",
    "battery_chemistry",
    "battery_ah",
    "battery_fitted",
    "charger",
    "running_signal",
    "running_on",
    "running_off",
    "running_signal_2",
    "running_on_2",
    "running_off_2",
    "running_join",
    "running_hold_s",
    "habit",
    "service_plan",
    "engine_hours",
    "engine_hours_at",
    "last_service",
    "last_service_hours",
    "exercise",
    "exercise_minutes",
    "exercise_load",
    "tank_l",
    "placement",
    "criticality",
    "contact",
    "phone",
    "sim",
    "sim_ends",
    "data_mb_month",
    "laid_up_from",
    "laid_up_to",
    "technician",
)
RECORD_COLUMNS: tuple[str, ...] = (
    "id",
    "at",
    "by",
    "unit",
    "kind",
    "device",
    "from",
    "channel",
    "meter",
    "raw",
    "instrument",
    "hours",
    "task",
    "part",
    "date",
    "chemistry",
    "litres",
    "opened",
    "closed",
    "minutes",
    "text",
)
AC_ON_SHARE = 200.0 / 230.0
"""Running above 200 V on a 230 V set (common practice, no source), alike on 400 V."""
YEARLY_TASKS: dict[str, tuple[str, ...]] = {
    "air_spark": ("oil_filter", "air_filter", "spark_plugs", "battery_check", "inspection"),
    "liquid_diesel": (
        "oil_filter",
        "air_filter",
        "fuel_filter",
        "belts_hoses",
        "battery_check",
        "inspection",
    ),
}
"""Tasks of the shipped plans that a yearly service does; others keep to the register's date."""
CHECK_TASKS = ("battery_check",)
"""What a visit between two yearly services does."""
INSTRUMENT = "multimeter M-2, checked in March"


def iso(t: int) -> str:
    """UTC second as ISO 8601 text with zone."""
    return datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def day_of(t: int) -> date:
    return datetime.fromtimestamp(t, UTC).date()


def as_csv(columns: tuple[str, ...], rows: list[dict[str, Any]]) -> str:
    """CSV text, lines ended by a line feed; a missing cell is empty."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def register_rows(fleet: Fleet) -> list[dict[str, Any]]:
    """One row a set, with the columns of the register."""
    return [_register_row(fleet, s) for s in fleet.sets]


def _register_row(fleet: Fleet, s: DemoSet) -> dict[str, Any]:
    place, model = s.place, s.place.model
    row: dict[str, Any] = {
        "customer": place.customer,
        "site": place.site,
        "address": f"{place.street}, {place.town}",
        "lat": place.lat,
        "lon": place.lon,
        "time_zone": ZONE if place.n % 20 else "",
        "unit": place.unit,
        "device": s.old_device,
        "group": place.group,
        "area": place.area,
        "make": "Make A" if model.cooling == "air" else "Make B",
        "model": model.name,
        "serial": f"{model.name[-2:].strip()}-{20_400 + 37 * place.n}",
        "cooling": model.cooling,
        "fuel": model.fuel,
        "cylinders": model.cylinders,
        "idle_down": "yes" if s.machine.plate.idle_down else "no",
        "inverter": "yes" if s.machine.plate.inverter else "no",
        "rated_kw": model.rated_kw,
        "nominal_v": model.nominal_v,
        "nominal_hz": 50,
        "phases": {230: "1", 400: "3", 460: "split"}[model.nominal_v],
        "performance_class": model.performance_class,
        "battery_nominal_v": model.battery_v,
        "battery_chemistry": "agm" if place.n % 4 == 1 else "flooded",
        "battery_ah": model.battery_ah,
        "charger": s.charger,
        "battery_fitted": day_of(fleet.origin) - timedelta(days=200 + place.n * 37 % 1100),
        "service_plan": model.engine_class,
        "tank_l": "" if model.fuel == "natural_gas" else model.tank_l,
        "criticality": place.criticality,
        "placement": "engine_room"
        if model.rated_kw >= 80
        else "portable"
        if model.name == "Set A 6"
        else "outdoors",
        "contact": place.contact,
        "phone": place.phone,
        "technician": place.technician,
        "data_mb_month": 20 if s.machine.reporter.fine_from < FOREVER else 5,
        **_signal_cells(s),
        **_service_cells(fleet, s),
    }
    if not s.declared:
        row["habit"] = _habit_cell(s)
    if s.exercise:
        row["exercise"] = s.exercise.rrule(s.exercise_from)
        row["exercise_minutes"] = s.exercise.minutes
        row["exercise_load"] = round(100 * s.exercise.load) or ""
    return row


def _habit_cell(s: DemoSet) -> str:
    """The habit as a user would type it."""
    h = s.habit
    if h.mode == "on_change":
        return f"on_change {h.heartbeat_s}"
    return f"{h.mode} {h.standing_s} {h.running_s}"


def _signal_cells(s: DemoSet) -> dict[str, Any]:
    if s.plays == "charging_output_10_6_v" or s.plays in condition.BY_CHARGE:
        return {
            "running_signal": "charge_v",
            "running_on": 9 * s.place.model.battery_v // 12,
            "running_hold_s": 30,
        }
    if s.plays in condition.BY_ENGINE:
        return {"running_signal": "running", "running_on": 1, "running_off": 0}
    cells: dict[str, Any] = {
        "running_signal": "ac_v",
        "running_on": round(s.place.model.nominal_v * AC_ON_SHARE),
    }
    if s.place.n in TWO_SIGNALS or s.plays in condition.BOTH_SIGNALS:
        second = {"running_signal_2": "charge_v", "running_on_2": 9 * s.place.model.battery_v // 12}
        cells |= second | {"running_join": "either"}
    return cells


def _service_cells(fleet: Fleet, s: DemoSet) -> dict[str, Any]:
    """Hours taken over on the first day; the last service where no record of it follows."""
    first = s.history_from + DAY_S // 2
    cells: dict[str, Any] = {"engine_hours": s.engine_h(first), "engine_hours_at": iso(first)}
    serviced = s.serviced_at
    if serviced in s.visits:
        serviced -= 364 * DAY_S
    cells["last_service"] = day_of(serviced)
    cells["last_service_hours"] = max(0.0, s.engine_h(serviced))
    return cells


def record_rows(fleet: Fleet) -> list[dict[str, Any]]:
    """What people did in the year, oldest first, with the columns of the records."""
    rows: list[dict[str, Any]] = []
    for s in fleet.sets:
        for visit in s.visits:
            rows += _visit_rows(s, visit)
        rows += _own_rows(fleet, s)
    rows.sort(key=lambda row: (row["at"], row["unit"]))
    for n, row in enumerate(rows):
        row["id"] = str(UUID(int=(fleet.seed << 96) + (fleet.origin << 32) + n, version=4))
    return rows


def _visit_rows(s: DemoSet, visit: int) -> list[dict[str, Any]]:
    """One visit: what was done, the engine's own hours, the volts checked with a meter."""
    base = {"by": s.place.technician, "unit": s.place.unit}
    done = visit + 2700
    hours = {**base, "at": iso(done), "kind": "hour_meter", "hours": s.engine_h(done)}
    closed = {
        **base,
        "at": iso(done + 300),
        "kind": "visit",
        "opened": iso(visit),
        "closed": iso(done + 300),
        "minutes": 50,
    }
    rows = [hours, closed]
    yearly = visit == s.serviced_at
    tasks = YEARLY_TASKS[s.place.model.engine_class] if yearly else CHECK_TASKS
    if s.place.model.fuel == "petrol":
        tasks = (*tasks, "fresh_fuel")
    for task in tasks:
        row = {**base, "at": iso(done), "kind": "task_done", "task": task}
        rows.append(row | {"hours": s.engine_h(done)})
    metered = s.place.n % 3 != 2 or s.plays == "volts_corrected"
    if yearly if s.plays in condition.UNTOUCHED else metered:
        rows += _meter_check(s, base, visit + 1860)
        rows += _battery_check(s, base, visit + 900)
    return rows


def _meter_check(s: DemoSet, base: dict[str, Any], at: int) -> list[dict[str, Any]]:
    """The AC input against a meter while the set runs by hand; none if it did not run then."""
    raw = float(values(s.machine, np.array([at], np.int64))["ac_v"][0])
    if raw < 0.8 * s.place.model.nominal_v:
        return []
    meter = round(raw / s.machine.reporter.sense_gain, 1)
    row = {**base, "at": iso(at), "kind": "meter_check", "channel": "ac_v"}
    return [row | {"meter": meter, "raw": raw, "instrument": INSTRUMENT}]


def _battery_check(s: DemoSet, base: dict[str, Any], at: int) -> list[dict[str, Any]]:
    """The battery input against a meter at its posts; both read the same."""
    raw = float(values(s.machine, np.array([at], np.int64))["battery_v"][0])
    row = {**base, "at": iso(at), "kind": "meter_check", "channel": "battery_v"}
    return [row | {"meter": raw, "raw": raw, "instrument": INSTRUMENT}]


def _own_rows(fleet: Fleet, s: DemoSet) -> list[dict[str, Any]]:
    base = {"by": s.place.technician, "unit": s.place.unit}
    rows: list[dict[str, Any]] = []
    swap = s.machine.script.board_swap
    if swap < FOREVER:
        fitted = {**base, "at": iso(swap), "kind": "fitting", "device": s.place.device}
        rows.append(fitted | {"from": iso(swap)})
        rows.append({**base, "at": iso(swap), "kind": "hour_meter", "hours": s.engine_h(swap)})
    new = s.machine.script.ails.new_battery[0]
    if s.plays == "new_battery" or (
        one(s.machine.plate.seed, 90) < 0.15 and s.visits and s.plays not in condition.CAST.values()
    ):
        at = new if new < FOREVER else s.visits[0] + 2000
        changed = {**base, "at": iso(at), "kind": "part_changed", "part": "battery"}
        chemistry = "agm" if s.place.n % 4 == 1 else "flooded"
        rows.append(changed | {"date": day_of(at), "chemistry": chemistry})
    if s.plays == "failed_start_then_started":
        mended = s.machine.script.hand[0][1]
        note = "Would not start on test. Loose pickup connector, made good, ran by hand."
        rows.append({**base, "at": iso(mended), "kind": "note", "text": note})
    return rows
