"""Volts and hertz of a unit in words and small pictures, for its page. Pure."""

from __future__ import annotations

from typing import Any

from dashboard import phrases, svg
from fleet import words
from fleet.calendar import local_date
from fleet.model import Unit
from scheduler.assess import Assessment
from scheduler.rules.supply import Drift, Measured

NAMES = {"volts": "Volts", "hertz": "Hertz"}
UNITS = {"volts": ("V", 0), "hertz": ("Hz", 2)}
LIKE = {
    "droop line": "its load taken into account by its own droop",
    "no load": "runs without load only",
    "like load": "runs with like load only",
    "runs without an outage": "load not measured, outage runs left out",
}
NOT_JUDGED = {
    "too few samples": "too few samples to judge the newest run",
    "electronics": "made by electronics: no governor to judge",
}


def panel(unit: Unit, verdict: Assessment | None, zone: str, now: int) -> dict[str, Any] | None:
    """Everything the panel says; None before the unit was first assessed."""
    if verdict is None:
        return None
    seen = verdict.supply
    both = [one for one in (seen.volts, seen.hertz) if one is not None]
    notes = []
    if seen.standing_untold:
        notes.append(
            "Its own volts are the only sign of running: volts on a standing set could not be told "
            "from a run."
        )
    if unit.phases == "3" and seen.unbalance_pct is None:
        notes.append("Lines are not read against each other: unbalance is not seen.")
    rows = []
    if seen.unbalance_pct is not None:
        rows.append(("Unbalance", f"{seen.unbalance_pct:.1f} % line to line, by NEMA MG 1"))
    return {
        "measured": [measured(one, zone, now) for one in both],
        "rows": rows,
        "notes": notes,
        "class": unit.performance_class,
    }


def measured(one: Measured, zone: str, now: int) -> dict[str, Any]:
    """One quantity: the last run on its band, and what is known of it over time."""
    unit, decimals = UNITS[one.quantity]
    band = one.band
    said = f"{_number(one.last, decimals)} {unit}" if one.last is not None else ""
    span = (band.low - 0.25 * (band.high - band.low), band.high + 0.25 * (band.high - band.low))
    allowed = f"{_number(band.low, decimals)} to {_number(band.high, decimals)} {unit}"
    name = NAMES[one.quantity]
    entry: dict[str, Any] = {
        "name": name,
        "value": said,
        "when": words.moment(one.last_at, zone, now) if one.last_at is not None else "",
        "out": one.out,
        "checked": one.checked,
        "picture": None,
        "trend": None,
        "rows": [],
        "not_judged": NOT_JUDGED.get(one.not_judged, one.not_judged),
    }
    if one.last is not None:
        label = f"{name} {said}, allowed {allowed}"
        entry["picture"] = svg.band_bar(one.last, (band.low, band.high), span, label)
    entry["rows"].append(("Band", f"{allowed}, {band.by}"))
    if one.usual_low is not None and one.usual_high is not None:
        between = (
            f"{_number(one.usual_low, decimals)} to {_number(one.usual_high, decimals)} {unit}"
        )
        entry["rows"].append(
            (
                "Usual here",
                f"{between}, {phrases.count(one.runs, 'run')} {usual_of(one, zone, now)}",
            )
        )
    if one.quantity == "hertz" and one.width_pct is not None and not one.not_judged:
        wide = f"{one.width_pct:.1f} % wide inside the run, {band.steady_pct:g} % allowed"
        entry["rows"].append(("Steadiness", wide))
    if one.supply:
        entry["rows"].append(("As a supply", one.supply))
    if one.not_judged != "electronics":
        entry["rows"].append(("Over time", over_time(one, zone, now)))
    if len(one.points) > 2:
        values = [value for _, value in one.points]
        label = f"{name} of the newest {phrases.count(len(values), 'run')}: "
        label += f"{_number(min(values), decimals)} to {_number(max(values), decimals)} {unit}"
        entry["trend"] = svg.sparkline(values, label)
        entry["trend_words"] = label
    return entry


def usual_of(one: Measured, zone: str, now: int) -> str:
    """ "of a year", or since its device, calibration or a part of it was changed."""
    return "of a year" if one.since is None else phrases.since(one.since, zone, now)


def over_time(one: Measured, zone: str, now: int) -> str:
    """How it moved since it was commissioned, and when it would leave its band."""
    drift = one.drift
    if drift is None:
        return f"not judged: {one.drift_not_judged or 'too few like runs'}"
    unit, decimals = UNITS[one.quantity]
    moved = f"{drift.moved:+.{max(decimals, 1)}f} {unit}".replace("-", "\u2212")
    said = f"{moved} against the first {drift.base} of {phrases.count(drift.runs, 'run')}; "
    said += LIKE[drift.by]
    if not drift.found:
        return f"{said}: no drift to be sure of"
    return f"{said}. {crossing(drift, zone, now)}"


def crossing(drift: Drift, zone: str, now: int) -> str:
    """When a drift leaves the band, never surer than it is."""
    if drift.crosses_at is None:
        return f"{max(0.0, drift.share):.0%} of the way to its limit; too slow to name a date"
    when = _day(drift.crosses_at, zone, now)
    if drift.crosses_from is None or drift.crosses_to is None:
        return f"Leaves its band about {when}"
    first, last = _day(drift.crosses_from, zone, now), _day(drift.crosses_to, zone, now)
    return f"Leaves its band about {when}, between {first} and {last}"


def _day(at: int, zone: str, now: int) -> str:
    return phrases.day_words(local_date(at, zone), phrases.site_today(zone, now))


def _number(value: float, decimals: int) -> str:
    return phrases.quantity(value, decimals)
