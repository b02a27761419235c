"""The starter battery and what charges it. Volts of a 12 V battery, doubled for 24 V.

Common practice, no source: rests at 12.7 V when full, floats at 13.6 V, 14.2 V on the set's own
alternator, falls to 9.5 to 10.5 V while a healthy one cranks.
"""

from __future__ import annotations

import numpy as np

from demo_fleet.machine.noise import Floats, normal, one, smooth
from demo_fleet.machine.plate import Ails, Nameplate
from demo_fleet.machine.state import Moments
from demo_fleet.machine.supply import grown

REST_V = 12.70
FLOAT_V = 13.60
FLOAT_PER_C = -0.018
SAG_V_DAY = 0.009
OVER_V = 16.4
CELL_V = 2.2
LONG_S = 90 * 86_400.0


def battery_v(plate: Nameplate, ails: Ails, m: Moments, scale: float) -> Floats:
    """Battery [V] at each moment."""
    charged = np.where(m.mains, _charged(plate, ails, m), _flat(m.since_lost, plate))
    charged = np.where((m.t >= ails.over_charged) & m.mains, OVER_V, charged)
    standing = np.where(m.t >= ails.charger_lost, _unfed(plate, ails, m), charged)
    surface = 0.55 * np.exp(-np.clip(m.since_end, 0, LONG_S) / 5400.0)
    standing = np.maximum(standing, np.minimum(standing + surface, 13.4))
    running = np.where(m.on, _alternator(plate, m), standing)
    running = np.where(m.t >= ails.cell_failed, running - CELL_V, running)
    noise = np.where(m.on, 0.03, 0.012) * scale * normal(plate.seed, 51, m.t)
    return (running + noise) * (plate.battery_v / 12.0)


def _unfed(plate: Nameplate, ails: Ails, m: Moments) -> Floats:
    """Since its charger was lost, or since the run that filled it again: to rest, then slowly on."""
    since = np.clip(np.minimum(m.t - ails.charger_lost, m.since_end), 0, LONG_S)
    return REST_V - 0.03 * since / 86_400.0 + 0.7 * np.exp(-since / 3600.0)


def _alternator(plate: Nameplate, m: Moments) -> Floats:
    full = 14.2 + 0.2 * (one(plate.seed, 52) - 0.5) - 0.008 * (m.ambient_c - 10.0)
    return full - 1.2 * np.exp(-np.maximum(m.since_start, 0) / 40.0)


def _flat(since_lost: Floats, plate: Nameplate) -> Floats:
    """No charger because the mains is off: down to rest in minutes, then slowly on."""
    rest = REST_V - 0.02 * np.clip(since_lost, 0, LONG_S) / 3600.0
    return rest + 0.7 * np.exp(-np.clip(since_lost, 0, LONG_S) / 900.0)


def _charged(plate: Nameplate, ails: Ails, m: Moments) -> Floats:
    """Standing with the mains on, by the kind of charger."""
    bias = 0.12 * (one(plate.seed, 53) - 0.5)
    warm = FLOAT_PER_C * (m.ambient_c - 15.0)
    if plate.charger == "float":
        level = FLOAT_V + bias + warm
    elif plate.charger == "boost":
        week = (m.t + int(one(plate.seed, 54) * 604_800)) % 604_800
        level = np.where(week < 6 * 3600, 14.3, 13.35) + bias + warm
    elif plate.charger == "on_off":
        level = _saw(plate, m)
    elif plate.charger == "solar":
        level = _sun(plate, m)
    else:
        return _sagging(plate, ails, m)
    recovering = 0.7 * np.exp(-np.clip(m.since_back, 0, LONG_S) / 3600.0)
    return level - recovering


def _saw(plate: Nameplate, m: Moments) -> Floats:
    """Two hours up to 13.9 V, then a day's fall to 12.8 V."""
    period = int((22 + 10 * one(plate.seed, 55)) * 3600)
    phase = (m.t + int(one(plate.seed, 56) * period)) % period
    up = 12.85 + 1.05 * phase / 7200.0
    down = 12.78 + 1.0 * np.exp(-(phase - 7200.0) / 5400.0) - 0.05 * phase / period
    return np.where(phase < 7200, up, down)


def _sun(plate: Nameplate, m: Moments) -> Floats:
    """A small panel: up in daylight, more in summer, less under cloud."""
    season = -np.cos(2 * np.pi * (m.t % 31_557_600 - 10 * 86_400) / 31_557_600)
    light = np.cos(2 * np.pi * (m.t % 86_400 - 12.3 * 3600) / 86_400) + 0.25 * season
    cloud = 0.65 + 0.35 * smooth(plate.weather, 57, m.t, 4 * 3600)
    return 12.72 + np.clip(light, 0, None) * cloud * (0.8 + 0.35 * season)


def _sagging(plate: Nameplate, ails: Ails, m: Moments) -> Floats:
    """No charger: falls by the device's own draw until a run fills it again."""
    days = np.clip(m.since_end, 0, LONG_S) / 86_400.0
    per_day = SAG_V_DAY * ails.draws * (0.7 + 0.6 * one(plate.seed, 58))
    return np.maximum(REST_V - 0.04 - per_day * days, 9.0)


def charging_v(plate: Nameplate, ails: Ails, m: Moments, scale: float) -> Floats:
    """The set's own charging output [V]: 0 V at rest, the battery's volts where it is tied to it."""
    level = plate.charge_out_v - 1.0 * np.exp(-np.maximum(m.since_start, 0) / 30.0)
    noise = 0.05 * scale * normal(plate.seed, 59, m.t)
    turning = (level + noise) * (plate.battery_v / 12.0)
    rest = battery_v(plate, ails, m, scale) if plate.charge_tied else 0.0
    return np.where(m.on, turning, rest)


def crank_low_v(plate: Nameplate, ails: Ails, m: Moments, weak: bool) -> Floats:
    """Lowest volts in an attempt: about 9.9 V at 15 degC, lower in the cold and when weak."""
    low = 9.9 + 0.5 * (one(plate.seed, 60) - 0.5) + 0.025 * (m.ambient_c - 15.0)
    low = low + 0.06 * normal(plate.seed, 61, m.t) - (2.2 if weak else 0.0)
    worn = np.where(m.t < ails.battery_until, grown(ails.battery_ages, m), 0.0)
    low = low - worn - np.where(m.t >= ails.cell_failed, 0.8 * CELL_V, 0.0)
    low = low + np.where(m.t >= ails.new_battery[0], ails.new_battery[1], 0.0)
    return np.maximum(low, 3.0) * (plate.battery_v / 12.0)
