"""The last start beside a healthy one at like temperature: the battery while it cranked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from dashboard import phrases, svg
from fleet import words
from fleet.calibration import line_at
from fleet.model import DeviceEvent
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import Assessment
from scheduler.rules.battery import CrankLook

NEAR_S = 120
"""A trace this near a measured start is of that start. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LastStart:
    """The panel. ticks and seconds: what stands along the picture's edges; healthy, limit: whether
    such a line is drawn; why_none: why there is no picture. rows: (name, words)."""

    rows: list[tuple[str, str]]
    picture: Markup | None
    ticks: list[str]
    seconds: list[str]
    healthy: bool
    limit: bool
    why_none: str


def panel(
    verdict: Assessment | None,
    inputs: UnitInputs | None,
    traces: Sequence[DeviceEvent],
    zone: str,
    now: int,
) -> LastStart | None:
    """Picture and words; None where nothing of its starts was measured. traces: of battery_v."""
    look = verdict.battery.cranking if verdict and verdict.battery else CrankLook()
    held = [trace for trace in traces if len(trace.samples) > 1 and trace.step_s > 0]
    if look.at is None and not held:
        return None
    last = near(held, look.at) if look.at is not None else max(held, key=lambda e: e.at)
    healthy = near(held, look.healthy_at)
    drawn = None
    if last is not None and inputs is not None:
        curves = [curve(one, inputs) for one in (last, healthy) if one is not None]
        drawn = svg.starts(curves, look.limit_v, label(look, zone, now))
    return LastStart(
        rows=rows(look, zone, now),
        picture=drawn[0] if drawn else None,
        ticks=[phrases.quantity(tick, 1) for tick in drawn[1]] if drawn else [],
        seconds=[f"{second:g} s" for second in drawn[2]] if drawn else [],
        healthy=healthy is not None,
        limit=look.limit_v is not None,
        why_none="" if drawn else "Its device sends no trace of the volts around a start.",
    )


def near(traces: Sequence[DeviceEvent], at: int | None) -> DeviceEvent | None:
    """The trace of a start at a moment (UTC seconds)."""
    found = [trace for trace in traces if at is not None and abs(trace.at - at) <= NEAR_S]
    return min(found, key=lambda trace: abs(trace.at - (at or 0)), default=None)


def curve(trace: DeviceEvent, inputs: UnitInputs) -> svg.Curve:
    """(seconds, volts) of a trace, calibrated as its device's readings of that moment are."""
    fitted = {
        f.id
        for f in inputs.fittings
        if f.device == trace.device
        and (f.from_at is None or f.from_at <= trace.at)
        and (f.to_at is None or trace.at < f.to_at)
    }
    lines = [
        c
        for c in inputs.calibrations
        if c.channel == "battery_v" and c.fitting in fitted and c.from_at <= trace.at
    ]
    gain, offset = line_at(lines, trace.at)
    volts = gain * np.asarray(trace.samples, np.float64) + offset
    return np.arange(len(volts), dtype=np.float64) * trace.step_s, volts


def rows(look: CrankLook, zone: str, now: int) -> list[tuple[str, str]]:
    """The battery's numbers in words."""
    if look.at is None or look.volts_v is None:
        return []
    found = [("Last start", start_words(look.at, look.volts_v, look.temp_c, zone, now))]
    if look.healthy_at is not None and look.healthy_v is not None:
        said = start_words(look.healthy_at, look.healthy_v, look.healthy_temp_c, zone, now)
        found.append(("A healthy start", said))
        fallen = look.healthy_v - look.volts_v
        way = "lower" if fallen > 0 else "higher"
        found.append(
            ("Difference", f"{abs(fallen):.1f} V {way}" if abs(fallen) >= 0.05 else "none")
        )
    elif look.reason:
        found.append(("A healthy start", look.reason))
    if look.limit_v is not None:
        warmth = "at that temperature" if look.temp_c is not None else "in the deepest cold"
        found.append(("Limit", f"{look.limit_v:.1f} V {warmth}"))
    return found


def start_words(at: int, volts: float, temp_c: float | None, zone: str, now: int) -> str:
    """ "fell to 9.1 V, Tue 06:12, at 4 °C"."""
    warm = "" if temp_c is None else f", at {temp_c:.0f} °C"
    return f"fell to {volts:.1f} V, {words.moment(at, zone, now)}{warm}"


def label(look: CrankLook, zone: str, now: int) -> str:
    """What the picture shows, for those who cannot see it."""
    said = ". ".join(f"{name}: {value}" for name, value in rows(look, zone, now))
    return f"Battery volts while cranking. {said}".rstrip(". ") + "."
