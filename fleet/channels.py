"""The glossary: every channel the wire knows, with its unit and ranges.

possible: outside it a value is refused with a reason (no instrument on a set can give it).
plausible: outside it a value is stored, and doubted when read.
Both are common practice, no source, unless the line says otherwise.
decimals: what a packed value keeps at least (the store falls back to full float64 beyond it).
"""

from __future__ import annotations

from typing import Literal

import msgspec

Role = Literal["gauge", "counter", "state"]


class Channel(msgspec.Struct, frozen=True):
    name: str
    unit: str
    possible: tuple[float, float]
    plausible: tuple[float, float]
    role: Role
    decimals: int
    meaning: str

    def is_possible(self, value: float) -> bool:
        return self.possible[0] <= value <= self.possible[1]


_AC = (-1.0, 2000.0)
_AC_USUAL = (0.0, 2000.0)
"""Low voltage ends at 1000 V (IEC 60038), and a set may run away to twice its nominal. What is too
much for one set depends on its own nominal and rating: its days doubt that (`scheduler.day`)."""

GLOSSARY: tuple[Channel, ...] = (
    Channel(
        "running",
        "0/1",
        (0, 1),
        (0, 1),
        "state",
        0,
        "the engine turns under its own power, as the device says",
    ),
    Channel("battery_v", "V", (-1, 80), (0, 80), "gauge", 2, "starter battery"),
    Channel(
        "crank_min_v",
        "V",
        (0, 80),
        (0, 80),
        "gauge",
        2,
        "lowest 0.1 s mean of the battery during an attempt",
    ),
    Channel(
        "crank_s", "s", (0, 600), (0, 60), "gauge", 1, "seconds the starter turned in an attempt"
    ),
    Channel("charge_v", "V", (-5, 80), (0, 80), "gauge", 2, "the set's own charging output"),
    Channel(
        "ac_v",
        "V",
        _AC,
        _AC_USUAL,
        "gauge",
        1,
        "the set's side of the transfer gear, between the two conductors that nominal_v names",
    ),
    Channel(
        "ac_l1_v",
        "V",
        _AC,
        _AC_USUAL,
        "gauge",
        1,
        "line 1 to neutral, or the first leg of a split-phase set",
    ),
    Channel(
        "ac_l2_v",
        "V",
        _AC,
        _AC_USUAL,
        "gauge",
        1,
        "line 2 to neutral, or the second leg of a split-phase set",
    ),
    Channel("ac_l3_v", "V", _AC, _AC_USUAL, "gauge", 1, "line 3 to neutral"),
    Channel("ac_l12_v", "V", _AC, _AC_USUAL, "gauge", 1, "line 1 to line 2"),
    Channel("ac_l23_v", "V", _AC, _AC_USUAL, "gauge", 1, "line 2 to line 3"),
    Channel("ac_l31_v", "V", _AC, _AC_USUAL, "gauge", 1, "line 3 to line 1"),
    Channel("frequency_hz", "Hz", (0, 500), (0, 80), "gauge", 2, "the set's frequency"),
    Channel("mains_v", "V", _AC, _AC_USUAL, "gauge", 1, "mains side of the transfer gear"),
    Channel("load_kw", "kW", (-100, 20000), (0, 5000), "gauge", 2, "real power the set delivers"),
    Channel("current_a", "A", (-100, 20000), (0, 8000), "gauge", 1, "line current"),
    Channel(
        "run_hours_h",
        "h",
        (0, 5_000_000_000),
        (0, 100_000),
        "counter",
        2,
        "the device's hour meter; one that counts minutes or seconds is declared so",
    ),
    Channel(
        "start_attempts",
        "1",
        (0, 10_000_000),
        (0, 1_000_000),
        "counter",
        0,
        "start attempts counted by the device",
    ),
    Channel("in_auto", "0/1", (0, 1), (0, 1), "state", 0, "the panel switch is in automatic"),
    Channel("fuel_pct", "%", (-5, 150), (0, 105), "gauge", 1, "tank level"),
    Channel("engine_temp_c", "°C", (-90, 400), (-50, 150), "gauge", 1, "engine or coolant"),
    Channel("ambient_temp_c", "°C", (-90, 120), (-50, 70), "gauge", 1, "air beside the set"),
    Channel("oil_pressure_kpa", "kPa", (-110, 2500), (0, 1000), "gauge", 0, "oil pressure, gauge"),
    Channel("speed_rpm", "1/min", (0, 20000), (0, 4500), "gauge", 0, "engine speed"),
    Channel("signal_dbm", "dBm", (-200, 0), (-150, -20), "gauge", 0, "radio signal at the device"),
)

CHANNELS: dict[str, Channel] = {channel.name: channel for channel in GLOSSARY}
NAMES: tuple[str, ...] = tuple(CHANNELS)

VOLTS: frozenset[str] = frozenset(c.name for c in GLOSSARY if c.unit == "V")
AC_VOLTS: frozenset[str] = frozenset(n for n in VOLTS if n.startswith("ac_") or n == "mains_v")
BATTERY_VOLTS: frozenset[str] = frozenset({"battery_v", "crank_min_v", "charge_v"})
