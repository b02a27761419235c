"""The office's papers of the invented fleet: register, people's records, and the truth."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import numpy as np

from demo_fleet import condition, faults
from demo_fleet.assembly import TWO_SIGNALS, WRAPS_H, DemoSet, Fleet
from demo_fleet.customers import ZONE
from demo_fleet.machine import values
from demo_fleet.machine_noise import one
from demo_fleet.machine_plate import FOREVER
from demo_fleet.machine_reports import events, readings
from demo_fleet.schedule import DAY_S, exercise_starts

REGISTER_COLUMNS: tuple[str, ...] = (
    "customer", "site", "address", "lat", "lon", "time_zone", "unit", "device", "group", "area",
    "make", "model", "serial", "cooling", "fuel", "cylinders", "idle_down", "inverter", "rated_kw",
    "nominal_v", "nominal_hz", "phases", "performance_class", "battery_nominal_v",
    "battery_chemistry", "battery_ah", "battery_fitted", "charger", "running_signal", "running_on",
    "running_off", "running_signal_2", "running_on_2", "running_off_2", "running_join",
    "running_hold_s", "habit", "service_plan", "engine_hours", "engine_hours_at", "last_service",
    "last_service_hours", "exercise", "exercise_minutes", "exercise_load", "tank_l", "placement",
    "criticality", "contact", "phone", "sim", "sim_ends", "data_mb_month", "laid_up_from",
    "laid_up_to", "technician",
)  # fmt: skip
RECORD_COLUMNS: tuple[str, ...] = (
    "id", "at", "by", "unit", "kind", "device", "from", "channel", "meter", "raw", "instrument",
    "hours", "task", "part", "date", "chemistry", "litres", "opened", "closed", "minutes", "text",
)  # fmt: skip
AC_ON_SHARE = 200.0 / 230.0
"""Running above 200 V on a 230 V set (common practice, no source), alike on 400 V."""
YEARLY_TASKS: dict[str, tuple[str, ...]] = {
    "air_spark": ("oil_filter", "air_filter", "spark_plugs", "battery_check", "inspection"),
    "liquid_diesel": (
        "oil_filter", "air_filter", "fuel_filter", "belts_hoses", "battery_check", "inspection",
    ),
}  # fmt: skip
"""Tasks of the shipped plans that a yearly service does; others keep to the register's date."""
CHECK_TASKS = ("battery_check",)
"""What a visit between two yearly services does."""
HOUR_S = 3_600
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
        "customer": place.customer, "site": place.site, "address": f"{place.street}, {place.town}",
        "lat": place.lat, "lon": place.lon, "time_zone": ZONE if place.n % 20 else "",
        "unit": place.unit, "device": s.old_device, "group": place.group, "area": place.area,
        "make": "Make A" if model.cooling == "air" else "Make B", "model": model.name,
        "serial": f"{model.name[-2:].strip()}-{20_400 + 37 * place.n}",
        "cooling": model.cooling, "fuel": model.fuel, "cylinders": model.cylinders,
        "idle_down": "yes" if s.machine.plate.idle_down else "no",
        "inverter": "yes" if s.machine.plate.inverter else "no", "rated_kw": model.rated_kw,
        "nominal_v": model.nominal_v, "nominal_hz": 50,
        "phases": {230: "1", 400: "3", 460: "split"}[model.nominal_v],
        "performance_class": model.performance_class, "battery_nominal_v": model.battery_v,
        "battery_chemistry": "agm" if place.n % 4 == 1 else "flooded",
        "battery_ah": model.battery_ah, "charger": s.charger,
        "battery_fitted": day_of(fleet.origin) - timedelta(days=200 + place.n * 37 % 1100),
        "service_plan": model.engine_class,
        "tank_l": "" if model.fuel == "natural_gas" else model.tank_l, "criticality": place.criticality,
        "placement": "engine_room" if model.rated_kw >= 80 else
        "portable" if model.name == "Set A 6" else "outdoors",
        "contact": place.contact, "phone": place.phone, "technician": place.technician,
        "data_mb_month": 20 if s.machine.reporter.fine_from < FOREVER else 5,
        **_signal_cells(s), **_service_cells(fleet, s),
    }  # fmt: skip
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
        **base, "at": iso(done + 300), "kind": "visit", "opened": iso(visit),
        "closed": iso(done + 300), "minutes": 50,
    }  # fmt: skip
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


def truth_of(fleet: Fleet) -> list[faults.Truth]:
    """Everything planted, faults first, in the order of the cast."""
    told = [_truth(fleet, s) for s in fleet.sets if s.plays]
    lost, back = fleet.storm
    for s in fleet.sets:
        if s.place.area == faults.STORM_AREA:
            told.append(_healthy(s, "long_outage", lost, back))
    return sorted(told, key=lambda t: t.healthy)


def _healthy(s: DemoSet, kind: str, at: int, until: int | None) -> faults.Truth:
    return faults.Truth(
        kind=kind, unit=s.place.unit, device=s.place.device, healthy=True, at=at, visible_from=at,
        until=until, expect={}, why=faults.HEALTHY[kind],
    )  # fmt: skip


def _truth(fleet: Fleet, s: DemoSet) -> faults.Truth:
    at, facts = _moment(fleet, s)
    if s.plays in faults.HEALTHY:
        return _healthy(s, s.plays, at, None)
    finding, severity, why = faults.EXPECT[s.plays]
    return faults.Truth(
        kind=s.plays, unit=s.place.unit, device=s.device_at(fleet.origin), healthy=False, at=at,
        visible_from=at + facts.pop("seen_after_s", 0), until=None,
        expect={"finding": finding, "severity": severity, "facts": facts}, why=why,
    )  # fmt: skip


def _rolled_at(s: DemoSet) -> int:
    """The second in which a meter of four digits went from 9,999.9 h to 0."""
    life, wanted = s.machine.life, WRAPS_H - s.machine.meter_h
    run = next(i for i, end in enumerate(life.end) if life.hours(int(end)) >= wanted)
    return int(life.start[run] + (wanted * 3600 - life.run_s[run]))


def _exercise_moment(fleet: Fleet, s: DemoSet) -> tuple[int, dict[str, Any]]:
    """When the exercise went wrong, and when that showed: after the run, or after the day."""
    script, agreed = s.machine.script, s.exercise
    assert agreed is not None
    starts = exercise_starts(
        s.machine.plate.seed, agreed, fleet.first // DAY_S, fleet.origin // DAY_S
    )
    over = [t for t, _, _ in starts if t < fleet.origin - 14 * HOUR_S]
    if s.plays == "exercise_missed_twice":
        return over[-2], {"times": 2, "minutes": agreed.minutes,
                          "seen_after_s": over[-1] + 13 * HOUR_S - over[-2]}  # fmt: skip
    if s.plays == "exercise_short":
        length = round(60 * agreed.minutes * script.exercise_cut[1])
        return over[-4], {"length_s": length, "minutes": agreed.minutes, "seen_after_s": HOUR_S}
    if s.plays == "exercise_drifted":
        return over[-9], {"offset_s": faults.DRIFT_S, "seen_after_s": over[-4] + HOUR_S - over[-9]}
    return fleet.first, {}


def _condition_moment(fleet: Fleet, s: DemoSet) -> tuple[int, dict[str, Any]]:
    """When battery, charger, alternator, governor, tank or mains began to ail."""
    a = s.machine.script.ails
    if s.plays == "own_main_switch":
        return int(s.machine.life.lost[-1]), {"seen_after_s": 700}
    if s.plays == "battery_runs_down":
        return s.machine.script.hand[0][1], {"seen_after_s": 10 * DAY_S}
    begun = (
        a.battery_ages[0], a.cell_failed, a.charger_lost, a.over_charged, a.hertz_drifts[0],
        a.volts_drift[0], a.hunts[0], a.neutral_open, a.unbalanced, a.over_volts, a.no_output,
        a.standing_volts, a.fuel_taken[0],
    )  # fmt: skip
    at = min(begun)
    slow = {"battery_ages": 200, "governor_drifts": 200, "regulator_drifts": 200, "hunting": 15,
            "unbalance": 15, "failed_cell": 3, "charger_lost": 2, "over_charge": 1}  # fmt: skip
    return at, {"seen_after_s": slow.get(s.plays, 0) * DAY_S + 1800}


def _moment(fleet: Fleet, s: DemoSet) -> tuple[int, dict[str, Any]]:
    """When it begins, and the facts a finding should name; seen_after_s where it shows later."""
    script, origin = s.machine.script, fleet.origin
    if s.plays in faults.EXERCISES and s.plays != "exercise_failed":
        return _exercise_moment(fleet, s)
    if s.plays in ("failed_start", "failed_start_then_started", "exercise_failed"):
        failed = [d for d in s.machine.life.demands if d.start is None and d.at <= origin]
        told = events(s.machine, failed[-1].at, failed[-1].at + 600)
        low = min(e["values"]["crank_min_v"] for e in told if e["event"] == "crank")
        attempts = len(failed[-1].cranks)
        facts = {"attempts": attempts, "crank_min_v": low}
        return failed[-1].at, facts | {"seen_after_s": told[-1]["at"] - failed[-1].at}
    if s.plays == "silent":
        t, _ = readings(s.machine, script.silent_from - DAY_S, script.silent_from)
        limit = 3 * s.habit.standing_s
        return int(t[-1]), {"heard_at": iso(int(t[-1])), "limit_s": limit, "seen_after_s": limit}
    if s.plays in ("due_by_hours", "due_by_date", "late_beyond_tolerance", "soon_by_date"):
        used = s.engine_h(origin) - s.engine_h(s.serviced_at)
        on = "hours" if s.plays == "due_by_hours" else "calendar"
        days = (origin - s.serviced_at) // DAY_S
        return s.serviced_at, {"binds": on, "hours_used_h": round(used, 1), "days_since": days}
    if s.plays == "harder_starting":
        since, per_day = script.crank_grows
        return since, {"per_month_s": round(30 * per_day, 3)}
    if s.plays == "starts_unreliable":
        failed = [d for d in s.machine.life.demands if d.start is None and d.at <= origin]
        return failed[0].at, {"failed": len(failed), "seen_after_s": failed[-1].at - failed[0].at}
    if s.plays == "oil_check_in_run":
        run = next(d for d in s.machine.life.demands if d.end and d.end > origin and d.start)
        assert run.start is not None
        return run.start, {"started_at": iso(run.start), "seen_after_s": 8 * 3600}
    if s.plays == "meter_replaced":
        before = s.machine.meter_h + s.machine.life.hours(script.meter_reset)
        return script.meter_reset, {"before_h": int(before * 10) / 10, "after_h": 0.0}
    if s.plays == "meter_rolled_over":
        return _rolled_at(s), {"before_h": 9999.9, "after_h": 0.0}
    if s.plays in condition.EXPECT:
        return _condition_moment(fleet, s)
    moments = {
        "clock_lost": script.clock_lost, "clock_blink": script.clock_blink,
        "left_out_of_auto": max((a for a, b in script.manual if b >= FOREVER), default=origin),
        "board_swapped": script.board_swap,
        "meter_spike": script.meter_zero[0][0] if script.meter_zero else origin,
        "sentinel": script.sentinel[0][0] if script.sentinel else origin,
    }  # fmt: skip
    return moments.get(s.plays, fleet.first), {}
