"""Findings to sentences: the one place that speaks.

Every sentence says what was seen, then what to do, and claims nothing beyond its facts. A
sentence that sends a person to a set carries its caution lines (ENGINEERING 15). Nothing here
asks anybody for another start, a jump start or to open a panel, and nobody is asked to switch
to automatic before the last technician has answered.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from fleet.model import Condition, Finding, Severity


class Sentence(msgspec.Struct, frozen=True, kw_only=True):
    """title: a few words for a tile; seen: what was seen; do: the next step, may be empty."""

    title: str
    seen: str
    do: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        return f"{self.seen} {self.do}".strip()


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
}

SEVERITY_WORDS: dict[Severity, str] = {
    "act_now": "Act now",
    "same_day": "Same day",
    "next_visit": "Next visit",
    "no_word": "No word",
    "note": "Note",
}

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

SENDS_A_PERSON: frozenset[str] = frozenset(
    {"failed_start", "not_in_auto", "service_due", "meter_reset", "not_reporting"}
)
"""Findings whose next step may bring somebody to the set."""


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
    """Engine hours as read off a meter: one decimal under 100 h, whole hours above."""
    return f"{value:,.1f} h" if abs(value) < 100 else f"{value:,.0f} h"


def day(iso: str) -> str:
    """A local ISO date as people write it: `5 Dec 2026`."""
    then = date.fromisoformat(iso)
    return f"{then.day} {then:%b %Y}"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _times(count: int) -> str:
    words = {1: "one attempt", 2: "two attempts", 3: "three attempts", 4: "four attempts"}
    return words.get(count, f"{count} attempts")


def _failed_start(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    attempts = int(facts.get("attempts") or 0)
    seen = f"Did not start at {moment(f.since, zone, now)}"
    if f.learned_at is not None and f.learned_at - f.since > 600:
        seen += f", learned at {moment(f.learned_at, zone, now)}"
    seen += f": {_times(attempts)}, no run followed." if attempts else ": no run followed."
    if isinstance(facts.get("crank_min_v"), int | float):
        seen += f" The battery fell to {facts['crank_min_v']:.1f} V while cranking."
    if facts.get("cause"):
        seen += f" The controller says: {facts['cause']}."
    mains = facts.get("mains_v")
    nominal = facts.get("nominal_v")
    if isinstance(mains, int | float) and isinstance(nominal, int | float) and nominal > 0:
        seen += (
            f" The mains was healthy when last heard ({mains:.0f} V)."
            if mains > nominal / 2
            else " The mains was off when last heard: nobody is covered."
        )
    return Sentence(
        title="Would not start",
        seen=seen,
        do="Call the site, send the nearest van.",
        cautions=CAUTIONS,
    )


def _not_reporting(f: Finding, zone: str, now: int) -> Sentence:
    heard = f.facts.get("heard_at")
    if not isinstance(heard, int):
        return Sentence(
            title="Never heard",
            seen=f"Nothing has been heard from its device since {moment(since, zone, now)}."
            if isinstance(since := f.facts.get("silent_since"), int)
            else "Nothing has ever been heard from its device.",
            do="Check the device's topic and id against the register, then its power and signal.",
            cautions=CAUTIONS,
        )
    seen = f"Silent for {span(now - heard)}, last heard {moment(heard, zone, now)}."
    last = f.facts.get("last_condition")
    if last in CONDITIONS:
        seen += f" It last said: {CONDITIONS[last].lower()}."
    return Sentence(
        title=f"Silent {span(now - heard)}",
        seen=seen,
        do="Check its power and signal; treat it as unknown, not as ready.",
        cautions=CAUTIONS,
    )


def _not_in_auto(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Not in auto",
        seen=f"The panel switch has been out of automatic since {moment(f.since, zone, now)}: "
        "the set cannot start by itself.",
        do="Ask the last technician first; nobody switches it over while somebody may be at it.",
        cautions=CAUTIONS,
    )


def _service_due(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    name = str(facts.get("name", "Service"))
    over = [f"{hours(facts['late_hours_h'])} over"] if facts.get("late_hours_h") else []
    over += [f"{_count(facts['late_days'], 'day')} late"] if facts.get("late_days") else []
    if over:
        seen = f"{name}: {' and '.join(over)}."
    elif facts.get("binds") == "hours" and facts.get("due_at_hours_h") is not None:
        seen = f"{name}: due at {hours(facts['due_at_hours_h'])}."
    elif facts.get("due_on"):
        seen = f"{name}: due on {day(facts['due_on'])}."
    else:
        seen = f"{name}: due."
    if facts.get("reason"):
        seen += f" {facts['reason']}."
    return Sentence(
        title=f"{name} late" if f.severity == "same_day" else f"{name} due",
        seen=seen,
        do="Put it on the next round.",
        cautions=CAUTIONS,
    )


def _meter_reset(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hour meter reset?",
        seen=f"The hour meter went from {hours(f.facts['before_h'])} to "
        f"{hours(f.facts['after_h'])} at {moment(f.since, zone, now)} and stayed there. "
        "Engine hours go on from the old reading.",
        do="If the meter was replaced, record its reading at the next visit to confirm.",
        cautions=CAUTIONS,
    )


def _meter_rolled_over(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hour meter rolled over",
        seen=f"The hour meter rolled over from {hours(f.facts['before_h'])} at "
        f"{moment(f.since, zone, now)}; engine hours go on counting.",
    )


def _meter_disagrees(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hour meter disagrees",
        seen=f"Over 30 days the hour meter gained {hours(f.facts['meter_h'])} while the runs seen "
        f"add up to {hours(f.facts['integrated_h'])}.",
        do="Compare with the engine's own meter at the next visit; this is about the metering, "
        "not the engine.",
    )


def _uses_integrated_hours(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hours from runs",
        seen="The hour meter also counts while the engine stands, so it is not used: "
        "engine hours are added up from the runs seen.",
    )


def _clock_wrong(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Device clock wrong",
        seen="The device gives times that cannot be right; its readings carry the time they "
        f"were received, since {moment(f.since, zone, now)}.",
        do="Have the device's clock set from the network.",
    )


def _sequence_gaps(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Messages missing",
        seen=f"{f.facts.get('gaps', 'Some')} numbered messages of this device never arrived.",
    )


SPEAKERS: dict[str, Callable[[Finding, str, int], Sentence]] = {
    "failed_start": _failed_start,
    "not_reporting": _not_reporting,
    "not_in_auto": _not_in_auto,
    "service_due": _service_due,
    "meter_reset": _meter_reset,
    "meter_rolled_over": _meter_rolled_over,
    "meter_disagrees": _meter_disagrees,
    "uses_integrated_hours": _uses_integrated_hours,
    "clock_wrong": _clock_wrong,
    "sequence_gaps": _sequence_gaps,
}


def sentence(finding: Finding, zone: str, now: int) -> Sentence:
    """What to say about a finding, in the site's zone. zone: IANA name; now: UTC seconds."""
    speak = SPEAKERS.get(finding.kind)
    if speak is None:
        return Sentence(title=finding.kind, seen=f"{finding.kind}: {_plain(finding.facts)}")
    return speak(finding, zone, now)


def _plain(facts: dict[str, Any]) -> str:
    return ", ".join(f"{key} {value}" for key, value in sorted(facts.items()))
