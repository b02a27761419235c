"""Last readings of a unit, each on a bar with the unit's own usual range."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from dashboard import logbook, phrases, svg
from fleet import words
from fleet.model import UnitSummary
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import epochs
from scheduler.day import Day

RUNNING = frozenset({"running", "on_load", "cooling_down"})
FLOORED = frozenset({"kW", "A"})
LEVELS = frozenset({"fuel_pct"})
"""A level falls as fuel is used: no level is unusual."""
APART_S = 600
"""A reading this much older than the newest says its own age. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A reading in words and as a picture; picture None: none can be drawn. when: its age, where
    it is not of the newest moment. outside: beyond what is usual."""

    name: str
    value: str
    unit: str
    when: str
    usual: str = ""
    outside: bool = False
    picture: Markup | None = None


def bars(
    inputs: UnitInputs, days: list[Day], summary: UnitSummary | None, zone: str, now: int
) -> list[Bar]:
    """One entry a reading: name, value, unit, picture, what is usual, and how old it is."""
    running = bool(summary and summary.condition in RUNNING)
    past = [day for day in days if day.day >= now // 86_400 - logbook.USUAL_DAYS]
    held = [r for r in logbook.readings_now(inputs, now) if r.channel != "running"]
    newest = max((r.at for r in held), default=0)
    return [
        bar(
            r,
            logbook.usual(since(inputs, past, r.channel, now), r.channel, now // 86_400),
            running,
            when(r, newest, zone, now),
        )
        for r in held
    ]


def since(inputs: UnitInputs, days: list[Day], channel: str, now: int) -> list[Day]:
    """The days since the channel reads what it reads now: its device, calibration, battery."""
    begun = epochs.line_from(inputs, channel, now)
    if channel in epochs.OF_THE_BATTERY:
        begun = max(begun, epochs.battery_from(inputs, now) or 0)
    return [day for day in days if day.day * 86_400 >= begun]


def when(reading: logbook.Now, newest: int, zone: str, now: int) -> str:
    """When a reading is of, where it is not of the newest moment or nobody knows."""
    if not reading.timed:
        return "time unknown"
    return phrases.fresh(reading.at, zone, now) if newest - reading.at > APART_S else ""


def bar(reading: logbook.Now, usual: logbook.Usual, running: bool, when: str = "") -> Bar:
    """One reading. No range where the channel has none, or speaks only while running."""
    number, unit = phrases.reading(reading.channel, reading.value)
    name = phrases.called(reading.channel)
    drawn, said, outside = None, "", False
    if reading.channel in LEVELS:
        drawn = svg.band_bar(reading.value, None, (0.0, 100.0), f"{name} {number} {unit}")
    if reading.channel not in logbook.UNRANGED:
        said = usual_words(reading.channel, usual)
        silent = usual.told == "running" and not running
        if usual.low is not None and usual.high is not None and not silent:
            outside = not usual.low <= reading.value <= usual.high
            drawn = picture(reading, (usual.low, usual.high), unit, name)
    return Bar(
        name=name,
        value=number,
        unit=unit,
        when=when,
        usual=said,
        outside=outside,
        picture=drawn,
    )


def picture(reading: logbook.Now, usual: svg.Span, unit: str, name: str) -> Markup:
    """The bar of one reading, its range and marker also in words."""
    floor = 0.0 if unit in FLOORED else None
    span = svg.bar_span(reading.value, usual, floor)
    low, high = (phrases.reading(reading.channel, edge)[0] for edge in usual)
    value = phrases.reading(reading.channel, reading.value)[0]
    label = f"{name} {value} {unit}, usual {words.ends(low, high)} {unit}".replace("  ", " ")
    return svg.band_bar(reading.value, usual, span, label)


def usual_words(channel: str, usual: logbook.Usual) -> str:
    """ "usual 13.2–13.8 V", "usual when running 228–233 V", or why there is none."""
    when = {"always": "usual", "running": "usual when running", "starting": "usual"}[usual.told]
    if usual.low is None or usual.high is None:
        what = {"always": "days", "running": "runs", "starting": "starts"}[usual.told]
        return f"too few {what} to say what is usual"
    low, unit = phrases.reading(channel, usual.low)
    high, _ = phrases.reading(channel, usual.high)
    return f"{when} {words.ends(low, high, '–')} {unit}".strip()


def unchecked(inputs: UnitInputs, now: int) -> list[str]:
    """Names of volts no meter has been on since their device was fitted."""
    return [
        phrases.called(reading.channel)
        for reading in logbook.readings_now(inputs, now)
        if reading.checkable and not reading.calibrated and reading.channel != "crank_min_v"
    ]
