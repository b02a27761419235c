"""How times, lengths, quantities and dates are written on a page. Pure: `now` is an argument.

Times are shown in the site's zone, relative while fresh; quantities carry their unit.
"""

from __future__ import annotations

from datetime import date

from fleet import calendar, words
from fleet.channels import CHANNELS

FRESH_S = 5400
"""Under 90 min a moment is written as "12 min ago"; common practice, no source."""

SHORT: dict[str, str] = {
    "running": "Engine",
    "battery_v": "Battery",
    "crank_min_v": "Lowest volts, last start",
    "crank_s": "Cranking, last start",
    "charge_v": "Charging output",
    "ac_v": "Output",
    "ac_l1_v": "Output L1",
    "ac_l2_v": "Output L2",
    "ac_l3_v": "Output L3",
    "ac_l12_v": "Output L1–L2",
    "ac_l23_v": "Output L2–L3",
    "ac_l31_v": "Output L3–L1",
    "frequency_hz": "Frequency",
    "mains_v": "Mains",
    "load_kw": "Load",
    "current_a": "Current",
    "run_hours_h": "Hour meter",
    "start_attempts": "Start attempts",
    "in_auto": "Switch",
    "fuel_pct": "Fuel",
    "engine_temp_c": "Engine temperature",
    "ambient_temp_c": "Air beside the set",
    "oil_pressure_kpa": "Oil pressure",
    "speed_rpm": "Speed",
    "signal_dbm": "Radio signal",
}
"""What a reading is called on a page; a name not here is shown as it came."""


def fresh(at: int, zone: str, now: int) -> str:
    """A moment as a person would say it: "4 min ago" while fresh, else by the site's clock."""
    age = now - at
    if -FRESH_S < age < 0:
        return "just now" if age > -60 else f"in {words.span(-age)}"
    if 0 <= age < FRESH_S:
        return "just now" if age < 20 else f"{words.span(age)} ago"
    return words.moment(at, zone, now)


def since(at: int, zone: str, now: int) -> str:
    """Since when something holds: "since 06:12", "since Tue 16:40", "since 10 Jul 2025"."""
    if now - at > 7 * 86_400:
        return f"since {day_words(calendar.local_date(at, zone), site_today(zone, now))}"
    return f"since {words.moment(at, zone, now)}"


def quantity(value: float, decimals: int = 0) -> str:
    """A number with thin spaces between thousands: 12 345.6."""
    text = f"{value:,.{decimals}f}".replace(",", "\u2009")
    return text.replace("-", "\u2212", 1) if text.startswith("-") else text


DECIMALS = {"V": 1, "Hz": 1, "kW": 1, "A": 1, "h": 1, "s": 1, "%": 0, "°C": 0}
"""Decimals that a meter of the trade shows. Common practice, no source."""


def reading(channel: str, value: float) -> tuple[str, str]:
    """A reading as (number, unit) the way a page shows it; states in words with no unit."""
    if channel == "in_auto":
        return ("In auto" if value >= 0.5 else "Not in auto", "")
    if channel == "running":
        return ("Running" if value >= 0.5 else "Standing", "")
    known = CHANNELS.get(channel)
    unit = known.unit if known else ""
    if unit == "h":
        value = words.hours_run(value, decimals(channel, value))
    return quantity(value, decimals(channel, value)), {"1": "", "1/min": "rpm"}.get(unit, unit)


def decimals(channel: str, value: float) -> int:
    """How many decimals of a reading are shown."""
    known = CHANNELS.get(channel)
    if known is None:
        return 2
    if known.unit == "V" and abs(value) >= 60:
        return 0
    return DECIMALS.get(known.unit, 0)


def called(channel: str) -> str:
    """What a channel is called on a page."""
    return SHORT.get(channel, channel)


def span_words(seconds: float) -> str:
    """A length of a run: "40 s", "25 min", "2 h 10 min"."""
    whole = round(seconds)
    if whole < 5400:
        return words.span(whole)
    if whole < 36 * 3600:
        hours, minutes = divmod(round(whole / 60), 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return words.span(whole)


def site_today(zone: str, now: int) -> date:
    """The date on the wall at the site."""
    return calendar.local_date(now, zone)


def day_words(on: str | date, today: date) -> str:
    """A date as a dispatcher says it: "today", "Thu 26 Nov", "14 Mar 2027"."""
    day = date.fromisoformat(on) if isinstance(on, str) else on
    ahead = (day - today).days
    if ahead == 0:
        return "today"
    if ahead == 1:
        return "tomorrow"
    if ahead == -1:
        return "yesterday"
    if -7 < ahead < 7:
        return f"{day:%a} {day.day} {day:%b}"
    if day.year == today.year:
        return f"{day.day} {day:%b}"
    return f"{day.day} {day:%b} {day.year}"


def count(number: int, one: str, many: str = "") -> str:
    """ "1 set", "12 sets"."""
    return f"{quantity(number)} {one if number == 1 else many or one + 's'}"


def size(octets: float) -> str:
    """Bytes as a person reads them, powers of ten: 1.5 MB."""
    for unit in ("B", "kB", "MB", "GB"):
        if octets < 1000 or unit == "GB":
            return f"{octets:.0f} {unit}" if unit == "B" else f"{octets:.1f} {unit}"
        octets /= 1000
    raise AssertionError("unreachable")
