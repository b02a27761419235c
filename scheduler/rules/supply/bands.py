"""What a set's volts and hertz are held to, and what a network would have delivered.

Limits come from the performance class on its plate (ISO 8528-5), the installer's own figures, or a
default. Supply bands of networks (ANSI C84.1, EN 50160) are a comparison in words, never a limit:
they describe what a utility delivers.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from scheduler.rules.supply.supply_record import Band, Plate


class ClassLimits(msgspec.Struct, frozen=True, kw_only=True):
    """One class: droop [% of rated], steady band [%, full width], volts [% each way]."""

    droop_pct: float
    steady_pct: float
    volts_pct: float


CLASSES: dict[str, ClassLimits] = {
    "G1": ClassLimits(droop_pct=8.0, steady_pct=2.5, volts_pct=5.0),
    "G2": ClassLimits(droop_pct=5.0, steady_pct=1.5, volts_pct=2.5),
    "G3": ClassLimits(droop_pct=3.0, steady_pct=0.5, volts_pct=1.0),
}
"""G4 is by agreement: the installer's own figures, else those of G3. Source: ISO 8528-5:2025, Table
4, secondary source."""
SMALL_STEADY_PCT = 2.5
"""Any class, engines of one or two cylinders. Source: ISO 8528-5:2025, Table 4, footnote, secondary
source."""
SMALL_VOLTS_PCT = 10.0
"""Any class, small sets in the range of ISO 8528-8. Source: ISO 8528-5:2025, Table 4, footnote,
secondary source."""
SMALL_KW = 10.0
"""The size up to which that footnote is taken to hold. Common practice, no source."""
DEFAULT_VOLTS_PCT = 10.0
DEFAULT_HERTZ_PCT = 4.2
"""No class on the plate, and one or two cylinders whatever the class. Common practice, no source."""
SETTING_PCT = 1.5
"""A class allows its deviation around the volts a set was set to, not around nominal; setting and
instrument may lie so far off. Common practice, no source."""
SETTING_DOWN_PCT = 2.5
"""How far under rated the speed may be set: ISO 8528-5, range of downward setting. From memory."""


def volts_band(plate: Plate) -> Band:
    """Limits of the volts [V], as `nominal_v` names them: nominal x (1 -+ percent / 100).

    The installer's own percent; else by class its deviation and 1.5 % that setting and instrument
    may be off, small sets up to 10 kW 10 %; else 10 %.

    Gives: a record in volts [V]. Source: ISO 8528-5:2025, Table 4 and its footnote on small sets,
    secondary source; the other percents common practice, no source.
    """
    nominal = plate.nominal_v
    if plate.volts_pct is not None:
        return _around(nominal, plate.volts_pct, plate.volts_pct, 0.0, "the installer's own")
    if not plate.performance_class:
        pct = DEFAULT_VOLTS_PCT
        return _around(nominal, pct, pct, 0.0, "no class known: 10 % either way")
    name, limits = _of(plate)
    pct = limits.volts_pct + SETTING_PCT
    if plate.small and (plate.rated_kw is None or plate.rated_kw <= SMALL_KW):
        return _around(nominal, SMALL_VOLTS_PCT, SMALL_VOLTS_PCT, 0.0, f"{name}, small set")
    return _around(nominal, pct, pct, 0.0, name)


def hertz_band(plate: Plate) -> Band:
    """Limits of the hertz [Hz], and the width allowed inside a run.

    With a class: from rated less the setting range and half the steady band, to rated plus droop
    and half the steady band, since a set with droop runs faster at no load.

    Gives: a record in hertz [Hz], its width in percent [%]. Source: ISO 8528-5:2025, Table 4
    (droop, steady band), secondary source; the setting range from memory; 4.2 % common practice, no
    source.
    """
    nominal = plate.nominal_hz
    name, limits = _of(plate)
    steady = SMALL_STEADY_PCT if plate.small else limits.steady_pct
    if plate.hertz_pct is not None:
        return _around(nominal, plate.hertz_pct, plate.hertz_pct, steady, "the installer's own")
    if plate.small or not plate.performance_class:
        by = "one or two cylinders" if plate.small else "no class known"
        pct = DEFAULT_HERTZ_PCT
        return _around(nominal, pct, pct, steady, f"{by}: {pct:g} % either way")
    down = SETTING_DOWN_PCT + steady / 2
    return _around(nominal, down, limits.droop_pct + steady / 2, steady, name)


def _of(plate: Plate) -> tuple[str, ClassLimits]:
    if plate.performance_class == "G4":
        return "class G4, held to G3", CLASSES["G3"]
    name = plate.performance_class or "G1"
    return f"ISO 8528-5 class {name}", CLASSES[name]


def _around(nominal: float, down_pct: float, up_pct: float, steady: float, by: str) -> Band:
    return Band(
        nominal=nominal,
        low=round(nominal * (1 - down_pct / 100), 4),
        high=round(nominal * (1 + up_pct / 100), 4),
        steady_pct=steady,
        by=by,
    )


AnsiRange = Literal["A service", "A utilization", "B service", "B utilization", "outside"]
ANSI_120: tuple[tuple[AnsiRange, float, float], ...] = (
    ("A service", 114.0, 126.0),
    ("A utilization", 108.0, 126.0),
    ("B service", 110.0, 127.0),
    ("B utilization", 104.0, 127.0),
)
"""Least and most of each range, 120 V base. Source: ANSI C84.1-2020, Table 1, secondary source."""


def ansi_ranges(volts_120: float) -> tuple[AnsiRange, ...]:
    """Every range of ANSI C84.1 that holds volts_120, a voltage on the 120 V base; ("outside",) for
    none.

    Gives: words. Source: ANSI C84.1-2020, Table 1, secondary source.
    """
    found = tuple(name for name, low, high in ANSI_120 if low <= volts_120 <= high)
    return found or ("outside",)


def en_50160_inner(volts: float, nominal_v: float = 230.0) -> bool:
    """Whether a ten-minute mean of `volts` lies within 10 % of nominal (low voltage).

    Gives: yes or no. Source: EN 50160, low voltage, secondary source.
    """
    return abs(volts - nominal_v) <= 0.10 * nominal_v + 1e-9


def volts_like(volts: float, plate: Plate) -> str:
    """The volts beside what a network delivers: a label, never a limit.

    60 Hz: ANSI C84.1 on the 120 V base; 50 Hz: EN 50160 and the nominals of IEC 60038.

    Gives: words. Source: ANSI C84.1-2020, EN 50160 and IEC 60038, secondary sources.
    """
    if plate.nominal_hz >= 55:
        ranges = ansi_ranges(120 * volts / plate.nominal_v)
        if "A service" in ranges:
            return "within ANSI C84.1 range A"
        if "B service" in ranges:
            return "within ANSI C84.1 range B"
        return "outside ANSI C84.1 service ranges"
    inner = en_50160_inner(volts, plate.nominal_v)
    return f"{'within' if inner else 'outside'} the 10 % of EN 50160 and IEC 60038"


def hertz_like(hertz: float, plate: Plate) -> str:
    """The hertz beside EN 50160 for a network on its own (50 Hz): a label, never a limit.

    Gives: words. Source: EN 50160, islanded networks (2 and 15 %), secondary source.
    """
    if plate.nominal_hz >= 55:
        return ""
    if abs(hertz - 50) <= 1.0:
        return "within the 2 % of EN 50160 for a network on its own"
    inside = 42.5 <= hertz <= 57.5
    return f"{'inside' if inside else 'outside'} the 15 % of EN 50160 for a network on its own"


NOMINAL_VOLTS = (
    *(100.0, 110.0, 120.0, 127.0),
    *(200.0, 208.0, 220.0, 230.0, 240.0),
    *(277.0, 347.0, 380.0, 400.0, 415.0, 440.0, 460.0, 480.0),
    *(600.0, 690.0),
)
"""Nominals of networks and sets: IEC 60038, ANSI C84.1. From memory."""
NOMINAL_NEAR = 0.03
"""So near to a nominal, volts are taken for it. Common practice, no source."""


def other_nominal(volts: float, band: Band) -> float | None:
    """The nominal within 3 % of which volts out of band lie; None where they look like no nominal.

    Gives: [V]. Common practice, no source.
    """
    if band.low < volts < band.high:
        return None
    near = [n for n in NOMINAL_VOLTS if abs(volts - n) <= NOMINAL_NEAR * n]
    return min(near, key=lambda n: abs(volts - n), default=None)


HERTZ_UNDER, HERTZ_OVER = 0.04, 0.06
"""So far under and over 50 or 60 Hz a governed set runs: droop sets it higher at no load. Common
practice, no source."""


def other_hertz(hertz: float, nominal_hz: float) -> float | None:
    """50 or 60, where nominal_hz says the other and the set's `hertz` lie from 4 % under to 6 % over
    this one.

    Gives: [Hz]. Common practice, no source.
    """
    other = 110.0 - nominal_hz
    if other not in (50.0, 60.0):
        return None
    return other if 1 - HERTZ_UNDER <= hertz / other <= 1 + HERTZ_OVER else None
