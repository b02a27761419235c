"""What must, and what may, be found of a set's battery, volts, hertz, fuel and mains at a moment.

Of graded faults nothing is asked here but at the end of the year (the truth file's promise) and in
the sweeps; yes/no ones are asked from the moment their habit has surely shown them.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import numpy as np
from dateutil.relativedelta import relativedelta
from truth import DAY_S, HOUR_S

from demo_fleet.machine import FOREVER

if TYPE_CHECKING:
    from examiner import At, Expected

    from fleet.model import Finding

RUN_LEAST_S = 500
"""A run so long has settled samples enough, at a report a minute."""
OLD_MONTHS, OLD_LIFE_MONTHS = 60, 30
LOW_PCT = 56.0
"""Above this a tank holds over half of what can be burnt, whatever the fuel: never low."""


def condition(at: At, out: Expected) -> None:
    """Everything of the state of the set."""
    for examine in (_battery, _supply, _fuel, _mains):
        examine(at, out)


def _battery(at: At, out: Expected) -> None:
    s, a, now = at.c.s, at.c.s.machine.script.ails, at.now
    may = out.may
    failing = s.machine.script.weak_battery and any(
        d.start is None and d.at <= now for d in s.machine.life.demands
    )
    ages = a.battery_ages[0] <= now
    may["battery_weak"] = lambda f: (
        ages or failing or (a.cell_failed <= now or a.draws > 1 or _long_unfed(at))
    )
    may["battery_failed_cell"] = lambda f: a.cell_failed <= now
    may["charger_fault"] = lambda f: min(a.charger_lost, a.cell_failed) <= now
    may["over_charge"] = lambda f: a.over_charged <= now
    may["battery_runs_down"] = lambda f: a.draws > 1 or a.charger_lost <= now or _long_unfed(at)
    months = OLD_LIFE_MONTHS if s.place.criticality == "life" else OLD_MONTHS
    over = _days_since_fitted(at, months)
    may["battery_old"] = lambda f: over is not None and over >= -2
    if over is not None and over > 2:
        out.must.add(("battery_old", ""))
    quiet = s.machine.reporter.mode == "steady" and not at.lately_dark(now - 6 * DAY_S)
    if quiet and a.charger_lost < now - 4 * DAY_S and not _ran(at, now - 3 * DAY_S, now):
        out.must.add(("charger_fault", ""))
    if quiet and a.cell_failed < now - 4 * DAY_S:
        out.must.add(("battery_failed_cell", ""))
    if quiet and a.over_charged < now - 2 * DAY_S and not _ran(at, now - 2 * DAY_S, now):
        out.must.add(("over_charge", ""))


def _days_since_fitted(at: At, months: int) -> int | None:
    """Days since the battery became so many months old, by record, else by the register."""
    changed = [r for r in at.inputs.records if r.kind == "part_changed"]
    text = changed[-1].facts.get("date") if changed else at.inputs.unit.battery_fitted
    if text is None:
        return None
    old: date = date.fromisoformat(str(text)[:10]) + relativedelta(months=months)
    return (datetime.fromtimestamp(at.now, UTC).date() - old).days


def _long_unfed(at: At) -> bool:
    """Nothing charges it, and it has not run for three weeks."""
    return at.c.s.charger == "none" and not _ran(at, at.now - 21 * DAY_S, at.now)


def _ran(at: At, start: int, end: int) -> bool:
    life = at.c.s.machine.life
    return bool(((life.end > start) & (life.start < end)).any())


def begun_by(since: int, now: int) -> Callable[[Finding], bool]:
    """Whatever the finding says: it may be there from this second on."""
    return lambda _: since <= now


def _supply(at: At, out: Expected) -> None:
    a, now, may = at.c.s.machine.script.ails, at.now, out.may
    begun = {
        "voltage_drift": a.volts_drift[0],
        "frequency_drift": a.hertz_drifts[0],
        "voltage_out": min(a.volts_drift[0], a.unbalanced, a.over_volts, a.neutral_open),
        "frequency_out": min(a.hertz_drifts[0], a.hunts[0]),
        "hunting": a.hunts[0],
        "unbalance": a.unbalanced,
        "open_neutral": a.neutral_open,
        "over_voltage": min(a.over_volts, a.neutral_open),
        "no_output": a.no_output,
        "leg_out": a.leg_dead,
        "volts_standing": a.standing_volts,
        "stray_volts": a.standing_volts,
    }
    for kind, since in begun.items():
        may[kind] = begun_by(since, now)
    low = abs(at.c.s.machine.reporter.sense_gain - 1) > 0.02
    drifted = begun["voltage_out"] <= now
    may["voltage_out"] = lambda f: drifted or (low and f.severity == "note")
    for kind, since, runs in (
        ("open_neutral", a.neutral_open, 1),
        ("over_voltage", a.over_volts, 1),
        ("no_output", a.no_output, 1),
        ("leg_out", a.leg_dead, 1),
        ("unbalance", a.unbalanced, 3),
        ("hunting", a.hunts[0], 3),
    ):
        shown = _shown(at, since, runs)
        if (
            shown is not None
            and at.seen is not None
            and at.seen > shown + 60
            and _unseen_to(at, since)
        ):
            out.must.add((kind, ""))
    standing = a.standing_volts + 2 * at.c.s.habit.standing_s + 600
    if (
        at.seen is not None
        and at.seen > standing + 2 * HOUR_S
        and not at.lately_dark(standing - DAY_S)
    ):
        out.must.add(("volts_standing", ""))


def _shown(at: At, since: int, runs: int) -> int | None:
    """The end of the so manieth run since a moment, each long enough to be judged."""
    if since >= FOREVER or at.c.s.machine.reporter.running_s > 60:
        return None
    life = at.c.s.machine.life
    long = (life.start >= since) & (life.end - life.start >= RUN_LEAST_S)
    ends = life.end[long]
    return int(ends[runs - 1]) if len(ends) >= runs else None


def _unseen_to(at: At, since: int) -> bool:
    """Nobody was at it since, and all was heard."""
    people = any(since < r.at <= at.now for r in at.inputs.records)
    return not people and not at.lately_dark(since)


def _fuel(at: At, out: Expected) -> None:
    m, now = at.c.s.machine, at.now
    taken, left = m.script.ails.fuel_taken

    def level(t: int) -> float:
        full = float(np.interp(t, m.life.fuel_t, m.life.fuel_pct))
        return min(full, left) if t >= taken else full

    lowest = min(level(t) for t in (now, at.seen or now, (at.seen or now) - 3 * HOUR_S))
    out.may["fuel_low"] = lambda f: lowest <= LOW_PCT
    wired = "fuel_pct" in m.reporter.channels
    if wired and at.seen is not None and at.seen > taken + 3 * HOUR_S:
        out.must.add(("fuel_low", ""))


def _mains(at: At, out: Expected) -> None:
    life, reporter = at.c.s.machine.life, at.c.s.machine.reporter
    moments = (at.now, at.seen or at.now)

    def off(t: int) -> bool:
        return bool(((life.lost <= t) & (t < life.back)).any())

    out.may["mains_lost"] = lambda f: any(off(t) for t in moments)
    if "mains_v" not in reporter.channels or not reporter.events or reporter.mode == "sleeping":
        return
    before = at.now - 15 * 60
    if off(at.now) and off(before) and not at.lately_dark(before - DAY_S):
        out.must.add(("mains_lost", ""))
