"""Volts and hertz of one set, on its own side and on the mains. Common practice, no source."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from demo_fleet.machine.noise import Floats, normal, one, smooth, uniform
from demo_fleet.machine.plate import Ails, Growing, Nameplate
from demo_fleet.machine.state import Moments

OVER_SHARE = 1.19
OPEN_SHARE = 0.17
"""With the neutral open one leg of an unevenly loaded set lies so far over, the other under."""
REMANENT_SHARE = 0.02
"""What an alternator without excitation still gives."""
IDLE_SHARE = 0.75
"""Speed and volts of an idle-down set without load."""


def grown(ails: Growing, m: Moments) -> Floats:
    """How much of something that grows by the day there is at each moment."""
    found: Floats = ails[1] * np.clip(m.t - ails[0], 0, None) / 86_400
    return found


def channels(
    plate: Nameplate, ails: Ails, m: Moments, scale: float
) -> dict[str, Callable[[], Floats]]:
    """Makers of the set-side circuits between two conductors, by channel; without the instrument's
    own gain."""
    return {
        "ac_v": lambda: ac_v(plate, ails, m, scale),
        "ac_l1_v": lambda: _leg(plate, ails, m, scale, +1.0),
        "ac_l2_v": lambda: _leg(plate, ails, m, scale, -1.0),
        "ac_l3_v": lambda: _third(plate, ails, m, scale),
        "ac_l12_v": lambda: _line(plate, ails, m, scale, 1.0),
        "ac_l23_v": lambda: _line(plate, ails, m, scale, 0.0),
        "ac_l31_v": lambda: _line(plate, ails, m, scale, 0.15),
        "frequency_hz": lambda: frequency_hz(plate, ails, m, scale),
        "mains_v": lambda: mains_v(plate, m, scale),
    }


def ac_v(plate: Nameplate, ails: Ails, m: Moments, scale: float) -> Floats:
    """Volts on the set's side [V]: regulator within 1 % of nominal, 1.5 % lower at full load."""
    bias = 1 + 0.016 * (one(plate.seed, 32) - 0.5)
    level = bias - 0.015 * m.load + 0.0012 * scale * normal(plate.seed, 33, m.t)
    level = level + grown(ails.volts_drift, m)
    level = np.where(m.t >= ails.over_volts, level * OVER_SHARE, level)
    level = np.where(m.t >= ails.no_output, REMANENT_SHARE, level)
    if plate.idle_down:
        level = np.where(m.load > 0, level, IDLE_SHARE * level)
    rising = np.clip(m.since_start / 4.0, 0.0, 1.0)
    running = np.where(m.on, plate.nominal_v * level * rising, 0.0)
    fed = ~m.on & m.mains & (m.t >= ails.standing_volts)
    return np.where(fed, mains_v(plate, m, scale), running)


def _leg(plate: Nameplate, ails: Ails, m: Moments, scale: float, sign: float) -> Floats:
    """One leg to neutral: apart a little by uneven load, far once the neutral is open."""
    apart = np.where(m.t >= ails.neutral_open, OPEN_SHARE, ails.legs_apart)
    part = 1 / 3**0.5 if plate.three_phase else 0.5
    return part * ac_v(plate, ails, m, scale) * (1 + sign * apart)


def _third(plate: Nameplate, ails: Ails, m: Moments, scale: float) -> Floats:
    """The third line to neutral; next to nothing once its winding has failed."""
    volts = ac_v(plate, ails, m, scale) / 3**0.5
    return np.where(m.t >= ails.leg_dead, REMANENT_SHARE * volts, volts)


def _line(plate: Nameplate, ails: Ails, m: Moments, scale: float, part: float) -> Floats:
    """Line to line: once unbalanced, one low and the next a little lower than the third."""
    low = np.where(m.t >= ails.unbalanced, ails.unbalance_share, 0.004)
    return ac_v(plate, ails, m, scale) * (1 - part * low)


def frequency_hz(plate: Nameplate, ails: Ails, m: Moments, scale: float) -> Floats:
    """Hertz: isochronous 50.0, mechanical governors 51 at no load falling by 2 at full load.

    An inverter's are electronics; a set that idles down turns slower while it carries nothing.
    """
    noise = normal(plate.seed, 34, m.t) * scale
    rising = np.clip(m.since_start / 4.0, 0.0, 1.0)
    if plate.inverter:
        return np.where(m.on, 50.0 * rising, 0.0)
    if plate.isochronous:
        level = 50.0 + 0.02 * noise
    else:
        idle = 51.0 + 0.5 * (one(plate.seed, 35) - 0.5)
        cold = 0.35 * np.exp(-np.maximum(m.since_start, 0) / 45.0)
        level = idle - 2.0 * m.load - cold + 0.06 * noise
    level = level + grown(ails.hertz_drifts, m)
    swing = np.sin(2 * np.pi * uniform(plate.seed, 63, m.t)) * (scale > 0)
    level = np.where(m.t >= ails.hunts[0], level + ails.hunts[1] * swing, level)
    if plate.idle_down:
        level = np.where(m.load > 0, level, IDLE_SHARE * level)
    return np.where(m.on, level * rising, 0.0)


def mains_v(plate: Nameplate, m: Moments, scale: float) -> Floats:
    """Mains [V]: about 2.5 % over nominal as in rural supply, lower in the evening."""
    evening = np.exp(-(((m.t % 86_400 - 18.5 * 3600) / 9000.0) ** 2))
    share = 1.025 + 0.012 * smooth(plate.weather, 36, m.t, 5 * 3600) - 0.012 * evening
    noise = 0.0015 * scale * normal(plate.seed, 37, m.t)
    return np.where(m.mains, plate.nominal_v * (share + noise), 0.0)
