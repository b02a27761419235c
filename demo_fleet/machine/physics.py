"""The physics of one set: what its device would read at any moment, from a seed.

Knows no rule and no message format. All functions take UTC seconds (int64 arrays, ascending) and
give float64 arrays of the same length, rounded as a device rounds. Coefficients are common
practice, no source; the checks in the tests name what must hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from demo_fleet.machine import supply
from demo_fleet.machine.battery import battery_v, charging_v, crank_low_v
from demo_fleet.machine.noise import Floats, Ints, normal, smooth
from demo_fleet.machine.plate import Nameplate, Reporter, Script
from demo_fleet.machine.runs import Life
from demo_fleet.machine.state import Moments

DECIMALS = {
    "battery_v": 2,
    "ac_v": 1,
    "frequency_hz": 2,
    "charge_v": 2,
    "mains_v": 1,
    "run_hours_h": 1,
    "start_attempts": 0,
    "in_auto": 0,
    "fuel_pct": 1,
    "engine_temp_c": 1,
    "ambient_temp_c": 1,
    "load_kw": 1,
    "running": 0,
    "ac_l1_v": 1,
    "ac_l2_v": 1,
    "ac_l3_v": 1,
    "ac_l12_v": 1,
    "ac_l23_v": 1,
    "ac_l31_v": 1,
}
YEAR_S = 365.25 * 86_400
SENTINEL = 6553.5


@dataclass(frozen=True)
class Machine:
    """One set with its device: nameplate, habit of reporting, script, life, counters at first."""

    plate: Nameplate
    reporter: Reporter
    script: Script
    life: Life
    meter_h: float
    attempts: int


def values(machine: Machine, t: Ints, quiet: bool = False) -> dict[str, Floats]:
    """Channel to values at the moments t; quiet leaves the fast noise out."""
    m = moments(machine, t)
    scale = 0.0 if quiet else 1.0
    makers: dict[str, Callable[[], Floats]] = {
        "battery_v": lambda: battery_v(machine.plate, machine.script.ails, m, scale),
        "charge_v": lambda: charging_v(machine.plate, machine.script.ails, m, scale),
        **supply.channels(machine.plate, machine.script.ails, m, scale),
        "ac_v": lambda: true_ac_v(machine, m, scale) * machine.reporter.sense_gain,
        "running": lambda: m.on.astype(np.float64),
        "run_hours_h": lambda: meter_h(machine, t),
        "start_attempts": lambda: _attempts(machine, t),
        "in_auto": lambda: _in_auto(machine.life, t),
        "fuel_pct": lambda: _fuel_pct(machine, m, scale),
        "engine_temp_c": lambda: _engine_c(machine.plate, m, scale),
        "ambient_temp_c": lambda: m.ambient_c,
        "load_kw": lambda: _load_kw(machine.plate, m, scale),
    }
    return {
        name: np.round(makers[name](), DECIMALS[name]) + 0.0 for name in machine.reporter.channels
    }


def moments(machine: Machine, t: Ints) -> Moments:
    """The state of the set at each moment."""
    life = machine.life
    run = np.searchsorted(life.start, t, "right") - 1
    start, end = _at(life.start, run), _at(life.end, run)
    on = (run >= 0) & (t < end)
    ended = np.where(on, run - 1, run)
    loaded = on & (t >= start + 15) & (t < _at(life.load_until, run))
    wander = 1 + 0.25 * smooth(machine.plate.seed, 30, t, 420)
    share = _at(life.load, run, 0.0) * wander
    ails = machine.script.ails
    share = np.where(t >= ails.heavier[0], np.minimum(share * ails.heavier[1], 0.95), share)
    load = np.where(loaded, share, 0.0)
    cold = np.where((t >= ails.cold[0]) & (t < ails.cold[1]), ails.cold[2], 0.0)
    lost = np.searchsorted(life.lost, t, "right") - 1
    back_at, lost_at = _at(life.back, lost), _at(life.lost, lost)
    return Moments(
        t=t,
        on=on,
        since_start=(t - start).astype(np.float64),
        since_end=(t - _at(life.end, ended)).astype(np.float64),
        run_length=(_at(life.end, ended) - _at(life.start, ended)).astype(np.float64),
        load=load,
        mains=(lost < 0) | (t >= back_at),
        since_lost=(t - lost_at).astype(np.float64),
        since_back=(t - back_at).astype(np.float64),
        ambient_c=ambient_c(machine.plate.weather, t) - cold,
    )


def true_ac_v(machine: Machine, m: Moments, scale: float) -> Floats:
    """Volts on the set's side [V], as a good meter reads them."""
    return supply.ac_v(machine.plate, machine.script.ails, m, scale)


def _at(array: np.ndarray, index: Ints, missing: float = -(2.0**40)) -> np.ndarray:
    """array[index], and `missing` where index is -1."""
    if not len(array):
        return np.full(len(index), missing)
    return np.where(index >= 0, array[np.maximum(index, 0)], missing)


def ambient_c(weather: int, t: Ints) -> Floats:
    """Outdoor air [degC]: season (coldest mid January), hour (warmest 15 h), passing fronts."""
    season = -np.cos(2 * np.pi * (t % YEAR_S - 15 * 86_400) / YEAR_S)
    hour = np.cos(2 * np.pi * (t % 86_400 - 15 * 3600) / 86_400)
    fronts = smooth(weather, 31, t, 3 * 86_400)
    found: Floats = 9.0 + 5.5 * season + (2.6 + season) * hour + 4.0 * fronts
    return found


def meter_h(machine: Machine, t: Ints) -> Floats:
    """The device's hour meter [h], in steps of 0.1, with what the script does to it."""
    life, script = machine.life, machine.script
    run = np.searchsorted(life.start, t, "right") - 1
    part = np.clip(np.minimum(t, _at(life.end, run)) - _at(life.start, run), 0, None)
    ran = np.where(run >= 0, _at(life.run_s, run, 0.0) + part, 0.0) / 3600.0
    shown = machine.meter_h + ran
    for at in (script.meter_reset, script.board_swap):
        shown = np.where(t >= at, ran - life.hours(at), shown)
    if script.meter_wraps_h:
        shown = shown % script.meter_wraps_h
    for begin, end in script.meter_zero:
        shown = np.where((t >= begin) & (t < end), 0.0, shown)
    return np.floor(shown * 10.0 + 1e-6) / 10.0


def _attempts(machine: Machine, t: Ints) -> Floats:
    count = np.searchsorted(machine.life.crank_at, t, "right")
    swap = machine.script.board_swap
    before = int(np.searchsorted(machine.life.crank_at, swap, "left"))
    return np.where(t >= swap, count - before, machine.attempts + count).astype(np.float64)


def _in_auto(life: Life, t: Ints) -> Floats:
    if not len(life.manual):
        return np.ones(len(t))
    span = np.searchsorted(life.manual[:, 0], t, "right") - 1
    return 1.0 - ((span >= 0) & (t < _at(life.manual[:, 1], span)))


def _fuel_pct(machine: Machine, m: Moments, scale: float) -> Floats:
    level = np.interp(m.t, machine.life.fuel_t, machine.life.fuel_pct)
    taken, left = machine.script.ails.fuel_taken
    level = np.where(m.t >= taken, np.minimum(level, left), level)
    slosh = np.where(m.on, 0.5, 0.08) * normal(machine.plate.seed, 38, m.t) * scale
    shown = np.clip(level + slosh, 0.0, 100.0)
    for begin, end in machine.script.sentinel:
        shown = np.where((m.t >= begin) & (m.t < end), SENTINEL, shown)
    return shown


def _engine_c(plate: Nameplate, m: Moments, scale: float) -> Floats:
    """Engine or coolant [degC]: a heater keeps liquid-cooled diesels warm between runs."""
    heated = plate.liquid and plate.diesel
    rest = _heated_c(m) if heated else m.ambient_c
    top = (84.0 if plate.liquid else 96.0) + 6.0 * m.load
    warm_s, cool_s = (480.0, 5400.0) if plate.liquid else (240.0, 2400.0)
    running = top - (top - rest) * np.exp(-np.maximum(m.since_start, 0) / warm_s)
    left = (top - rest) * (1 - np.exp(-np.maximum(m.run_length, 0) / warm_s))
    cooling = rest + left * np.exp(-np.maximum(m.since_end, 0) / cool_s)
    return np.where(m.on, running, cooling) + 0.2 * scale * normal(plate.seed, 39, m.t)


def _heated_c(m: Moments) -> Floats:
    """A standing engine with its block heater [degC]: cools in hours when the mains is off."""
    kept = np.maximum(38.0 - m.ambient_c, 0.0)
    off = np.exp(-np.clip(m.since_lost, 0, YEAR_S) / 21_600.0)
    missing = 0.3 * np.exp(-np.clip(m.since_back, 0, YEAR_S) / 3600.0)
    found: Floats = m.ambient_c + kept * np.where(m.mains, 1.0 - missing, off)
    return found


def _load_kw(plate: Nameplate, m: Moments, scale: float) -> Floats:
    noise = 1 + 0.01 * scale * normal(plate.seed, 40, m.t)
    return plate.rated_kw * m.load * noise


def crank_values(machine: Machine, at: int, crank_s: float, weak: bool) -> dict[str, float]:
    """What a device reads in one attempt: lowest volts [V] and seconds cranked [s]."""
    t = np.array([at], np.int64)
    m, script = moments(machine, t), machine.script
    low = crank_low_v(machine.plate, script.ails, m, weak)
    if crank_s < machine.plate.longest_crank_s:
        since, per_day = script.crank_grows
        crank_s += per_day * max(0, at - since) / 86_400
        crank_s += script.crank_cold * max(0.0, 15.0 - float(m.ambient_c[0]))
        crank_s = round(min(crank_s, machine.plate.longest_crank_s), 1)
    return {"crank_min_v": round(float(low[0]), 2), "crank_s": crank_s}
