"""What every sentence is made of: cautions, moments, spans and the trade's words."""

from __future__ import annotations

from datetime import UTC, date, datetime
from math import ceil, copysign, floor
from zoneinfo import ZoneInfo

from fleet.findings.row import LATE_S, Found, Metered, Severity
from fleet.findings.states import Condition

LEARNED = ", learned "
"""Between the two times of late news; the long form goes on with `at`."""


CONDITIONS: dict[Condition, str] = {
    "standing_by": "Standing by",
    "cranking": "Cranking",
    "running": "Running",
    "on_load": "On load",
    "cooling_down": "Cooling down",
    "not_in_auto": "Not in auto",
    "out_of_service": "Out of service for work",
    "laid_up": "Laid up",
    "not_reporting": "Not reporting",
    "last_heard_running": "Last heard running",
    "no_device": "No device",
}

SEVERITY_WORDS: dict[Severity, str] = {
    "act_now": "Act now",
    "same_day": "Same day",
    "next_visit": "Next visit",
    "no_word": "No word",
    "note": "Note",
}

UNCHECKED = "This reading has not been checked with a meter."

CAUTIONS: tuple[str, ...] = (
    "It can start by itself at any moment: switch to OFF and lock out before you touch it.",
    "Lock-out belongs to the person who put it on; nobody else takes it off.",
    "Exhaust carries carbon monoxide: outdoors only, away from doors, windows and vents.",
    "Never connect a set to a house's wiring except through its transfer gear: "
    "back-feed kills on the line.",
    "Batteries give off explosive gas: no flame or spark; eye protection on.",
    "Exhaust and engine stay hot after stopping: let them cool before fuel, oil or coolant.",
    "Fuel burns and its vapour explodes: no refuelling while hot or running.",
    "Local codes and a licensed electrician or gas fitter come before anything written here.",
)
"""Shown wherever a person is sent to a machine: automatic start, lock-out, carbon monoxide,
back-feed, battery gas, hot parts, fuel, licensed practice."""


def condition(value: Condition) -> str:
    """The trade's words for a condition."""
    return CONDITIONS[value]


def severity(value: Severity) -> str:
    """The word that goes with a severity's shape and colour."""
    return SEVERITY_WORDS[value]


def moment(at: int, zone: str, now: int) -> str:
    """A moment in the site's zone: `14:05` today, `Tue 14:05` this week, else with the date.

    at, now: UTC seconds; zone: IANA name.
    """
    then = datetime.fromtimestamp(at, UTC).astimezone(ZoneInfo(zone))
    today = datetime.fromtimestamp(now, UTC).astimezone(ZoneInfo(zone))
    days = (today.date() - then.date()).days
    clock = then.strftime("%H:%M")
    if days == 0:
        return clock
    if 0 < days < 7:
        return f"{then:%a} {clock}"
    year = "" if then.year == today.year else f" {then.year}"
    return f"{then.day} {then:%b}{year} {clock}"


def is_late(finding: Found) -> bool:
    """Whether it was learned so long after it began that both times are said."""
    return finding.learned_at is not None and finding.learned_at - finding.since > LATE_S


def began(finding: Found, zone: str, now: int) -> str:
    """When it began; of late news also when it was learned: `02:14, learned at 05:31`."""
    said = moment(finding.since, zone, now)
    if finding.learned_at is None or not is_late(finding):
        return said
    return f"{said}{LEARNED}at {moment(finding.learned_at, zone, now)}"


def span(seconds: float) -> str:
    """A length of time a person would say: `40 s`, `25 min`, `7 h`, `3 d 4 h`."""
    whole = int(seconds)
    if whole < 90:
        return f"{whole} s"
    if whole < 5400:
        return f"{round(whole / 60)} min"
    if whole < 36 * 3600:
        return f"{round(whole / 3600)} h"
    days, rest = divmod(round(whole / 3600), 24)
    return f"{days} d {rest} h" if rest and days < 10 else f"{days} d"


def hours(value: float) -> str:
    """Engine hours as a meter shows them: tenths under 100 h, whole hours above, each completed.

    A meter moves on when the hour is full: 9,999.8 h are 9,999 h and not 10,000 h, which this engine
    has not run yet.
    """
    return f"{hours_run(value, 1):,.1f} h" if abs(value) < 100 else f"{hours_run(value, 0):,.0f} h"


def hours_run(value: float, decimals: int) -> float:
    """Hours cut, not rounded, to so many decimals; what counting left short by a hair is whole."""
    unit = 10**decimals
    return copysign(floor(abs(value) * unit + 1e-6) / unit, value)


def hours_at_most(value: float) -> str:
    """How far hours may be out, never said smaller than it is: 0.41 -> '0.5 h'."""
    return hours(ceil(value * 10 - 1e-6) / 10 if value < 100 else ceil(value - 1e-6))


def ends(low: str, high: str, joint: str = " to ") -> str:
    """Two ends of a range as they read; one value where they read alike: `13.6 to 13.9`, `13.6`."""
    return low if low == high else f"{low}{joint}{high}"


def volts(value: float) -> str:
    """Volts of an output: `231 V`."""
    return f"{value:.0f} V"


def hertz(value: float) -> str:
    """Hertz of an output: `50.2 Hz`."""
    return f"{value:.1f} Hz"


def day(iso: str) -> str:
    """A local ISO date as people write it: `5 Dec 2026`."""
    then = date.fromisoformat(iso)
    return f"{then.day} {then:%b %Y}"


def count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def megabytes(used: float) -> str:
    """An amount of data, with as much of it as is known."""
    return f"{used:.1f} MB" if used >= 1 else f"{used:.2g} MB"


def times(count: int) -> str:
    words = {1: "one attempt", 2: "two attempts", 3: "three attempts", 4: "four attempts"}
    return words.get(count, f"{count} attempts")


def percent_range(low: float, high: float, joint: str = " to ") -> str:
    """An interval of a share, never said surer than it is: 0.9312, 0.9994 -> '93 to 99.9 %'.

    joint: what stands between the ends; after "between" it is " and ".
    """

    def said(share: float, up: bool) -> str:
        away = ceil if up else floor
        if share > 0.99:
            return f"{min(away(share * 1000 - 1e-9), 999 if share < 1 else 1000) / 10:g}"
        return f"{away(share * 100 - 1e-9 if up else share * 100 + 1e-9)}"

    return f"{ends(said(low, False), said(high, True), joint)} %"


def unchecked(facts: Metered) -> str:
    """What is added where no meter has been on the reading."""
    return f" {UNCHECKED}" if facts.unchecked else ""


CIRCUITS = {
    "ac_v": "its output",
    "ac_l1_v": "L1 to neutral",
    "ac_l2_v": "L2 to neutral",
    "ac_l3_v": "L3 to neutral",
    "ac_l12_v": "L1 to L2",
    "ac_l23_v": "L2 to L3",
    "ac_l31_v": "L3 to L1",
}
"""Where a circuit of the set is read, in the trade's words."""


def circuit(channel: str, phases: str | None) -> str:
    """`L3 to neutral`; on a split-phase set `its second leg`."""
    if phases == "split" and channel in ("ac_l1_v", "ac_l2_v"):
        return "its first leg" if channel == "ac_l1_v" else "its second leg"
    return CIRCUITS.get(channel, "one of its circuits")


def when(f: Found) -> str:
    """By when what a finding asks for is done."""
    return "today" if f.severity == "same_day" else "at the next visit"


def spelled_span(seconds: float) -> str:
    """A limit in words: `five minutes`, `a day`."""
    for size, one, many in (
        (86_400, "a day", "days"),
        (3600, "an hour", "hours"),
        (60, "a minute", "minutes"),
    ):
        if seconds >= size and seconds % size == 0:
            number = round(seconds / size)
            return one if number == 1 else f"{NUMBERS.get(number, str(number))} {many}"
    return span(seconds)


NUMBERS = {
    2: "two",
    3: "three",
    4: "four",
    5: "five",
    6: "six",
    7: "seven",
    8: "eight",
    9: "nine",
    10: "ten",
}
"""Numbers as they are said. Definition."""
