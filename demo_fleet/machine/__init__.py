"""One set and its device, made from a seed: what it reads at any moment, and when it speaks.

Knows no rule of ours and no message format; numpy and the standard library are all it imports.
"""

from __future__ import annotations

from demo_fleet.machine.mains import area_outages, site_outages
from demo_fleet.machine.physics import (
    Machine,
    ambient_c,
    crank_values,
    meter_h,
    moments,
    true_ac_v,
    values,
)
from demo_fleet.machine.plate import FOREVER, Ails, Nameplate, Reporter, Script
from demo_fleet.machine.reports import events, readings
from demo_fleet.machine.runs import Life, build_life

__all__ = [
    "FOREVER",
    "Ails",
    "Life",
    "Machine",
    "Nameplate",
    "Reporter",
    "Script",
    "ambient_c",
    "area_outages",
    "build_life",
    "crank_values",
    "events",
    "meter_h",
    "moments",
    "readings",
    "site_outages",
    "true_ac_v",
    "values",
]
