"""The truth about everything planted: when it began, when it could be known, what should be found."""

from __future__ import annotations

from typing import Any

from demo_fleet.assembly import WRAPS_H, DemoSet, Fleet
from demo_fleet.machine import FOREVER, events, readings
from demo_fleet.papers import iso
from demo_fleet.planted import condition, faults
from demo_fleet.schedule import DAY_S, HOUR_S, exercise_starts
from fleet.findings import kind_of


def truth_of(fleet: Fleet) -> list[faults.Truth]:
    """Everything planted, faults first, in the order of the cast.

    Raises ValueError where the history is too short for what is planted to have begun.
    """
    told = [_truth(fleet, s) for s in fleet.sets if s.plays]
    lost, back = fleet.storm
    for s in fleet.sets:
        if s.place.area == faults.STORM_AREA:
            told.append(_healthy(s, "long_outage", lost, back))
    return sorted(told, key=lambda t: t.healthy)


def _healthy(s: DemoSet, kind: str, at: int, until: int | None) -> faults.Truth:
    return faults.Truth(
        kind=kind,
        unit=s.place.unit,
        device=s.place.device,
        healthy=True,
        at=at,
        visible_from=at,
        until=until,
        expect={},
        why=faults.HEALTHY[kind],
    )


def _truth(fleet: Fleet, s: DemoSet) -> faults.Truth:
    try:
        at, facts = _moment(fleet, s)
    except (IndexError, StopIteration):
        days = (fleet.origin - fleet.first) // DAY_S
        raise ValueError(
            f"{days} days are too few for what is planted in {s.place.unit} ({s.plays}): ask for a "
            "longer history (90 days show everything) or for fewer sets."
        ) from None
    if s.plays in faults.HEALTHY:
        return _healthy(s, s.plays, at, None)
    finding, severity, why = faults.EXPECT[s.plays]
    return faults.Truth(
        kind=s.plays,
        unit=s.place.unit,
        device=s.device_at(fleet.origin),
        healthy=False,
        at=at,
        visible_from=at + facts.pop("seen_after_s", 0),
        until=None,
        expect={"finding": kind_of(finding), "severity": severity, "facts": facts},
        why=why,
    )


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
        return over[-2], {
            "times": 2,
            "minutes": agreed.minutes,
            "seen_after_s": over[-1] + 13 * HOUR_S - over[-2],
        }
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
        a.battery_ages[0],
        a.cell_failed,
        a.charger_lost,
        a.over_charged,
        a.hertz_drifts[0],
        a.volts_drift[0],
        a.hunts[0],
        a.neutral_open,
        a.unbalanced,
        a.over_volts,
        a.no_output,
        a.leg_dead,
        a.standing_volts,
        a.fuel_taken[0],
    )
    at = min(begun)
    slow = {
        "battery_ages": 200,
        "governor_drifts": 200,
        "regulator_drifts": 200,
        "hunting": 15,
        "unbalance": 15,
        "failed_cell": 3,
        "charger_lost": 2,
        "over_charge": 1,
    }
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
        "clock_lost": script.clock_lost,
        "clock_blink": script.clock_blink,
        "left_out_of_auto": max((a for a, b in script.manual if b >= FOREVER), default=origin),
        "board_swapped": script.board_swap,
        "meter_spike": script.meter_zero[0][0] if script.meter_zero else origin,
        "sentinel": script.sentinel[0][0] if script.sentinel else origin,
    }
    return moments.get(s.plays, fleet.first), {}
