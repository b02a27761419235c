"""Findings to sentences: the one place that speaks.

Every sentence says what was seen, then what to do, and claims nothing beyond its facts. A
sentence that sends a person to a set carries its caution lines (ENGINEERING 15). Nothing here
asks anybody for another start, a jump start or to open a panel, and nobody is asked to switch
to automatic before the last technician has answered.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from math import ceil, floor
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
    {
        "failed_start",
        "not_in_auto",
        "service_due",
        "meter_reset",
        "not_reporting",
        "exercise_missed",
        "exercise_short",
        "starts_unreliable",
        "harder_starting",
        "oil_check_in_run",
    }
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


EXERCISE_BY = {
    "readings": "its readings", "counter": "its start counter", "events": "its start events",
    "meter": "its hour meter",
}  # fmt: skip


def _exercise_missed(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    due = moment(int(facts["due_at"]), zone, now)
    times = int(facts.get("times") or 1)
    by = EXERCISE_BY.get(str(facts.get("by")), "its readings")
    seen = f"Did not run its exercise agreed for {due}, by {by}"
    seen += f"; missed {times} times in a row." if times > 1 else "."
    if isinstance(facts.get("ran_at"), int):
        seen += f" It did run for that long at {moment(facts['ran_at'], zone, now)}."
    return Sentence(
        title="Exercise missed twice" if times == 2 else "Exercise missed",
        seen=seen,
        do="Ask who was there last, then have its exercise clock looked at"
        + (" today." if f.severity == "same_day" else " at the next visit."),
        cautions=CAUTIONS,
    )


def _exercise_short(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    agreed = facts.get("minutes")
    seen = f"Ran its exercise at {moment(f.since, zone, now)}"
    seen += f" for {span(float(facts.get('length_s') or 0))}"
    seen += f" instead of {agreed:g} min." if isinstance(agreed, int | float) else "."
    return Sentence(
        title="Exercise cut short",
        seen=seen,
        do="At the next visit look at why it stopped: its timer, then its faults.",
        cautions=CAUTIONS,
    )


def _exercise_under_loaded(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    seen = f"Ran its exercise at {moment(f.since, zone, now)}"
    if isinstance(facts.get("mean_kw"), int | float):
        seen += f" at {facts['mean_kw']:.1f} kW on average"
    if isinstance(facts.get("asked_kw"), int | float):
        seen += f"; {facts['asked_kw']:.1f} kW were agreed"
    return Sentence(title="Exercise with little load", seen=f"{seen}.")


def _exercise_time(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    offset = int(facts.get("offset_s") or 0)
    late = "later" if offset > 0 else "earlier"
    seen = f"Exercises at {facts.get('real')} instead of {facts.get('agreed')}: "
    seen += f"{span(abs(offset))} {late} than agreed, over {facts.get('matches')} exercises."
    if facts.get("summer_time"):
        seen += " An hour off: its own clock may not follow summer time."
    return Sentence(
        title="Exercises at another time",
        seen=seen,
        do="Set its exercise clock at the next visit, or write the real time into the register.",
    )


def percent_range(low: float, high: float) -> str:
    """An interval of a share, never said surer than it is: 0.9312, 0.9994 -> '93 to 99.9 %'."""

    def said(share: float, up: bool) -> str:
        away = ceil if up else floor
        if share > 0.99:
            return f"{min(away(share * 1000 - 1e-9), 999 if share < 1 else 1000) / 10:g}"
        return f"{away(share * 100 - 1e-9 if up else share * 100 + 1e-9)}"

    return f"{said(low, False)} to {said(high, True)} %"


def _starts_unreliable(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    share = percent_range(float(facts["low"]), float(facts["high"]))
    seen = (
        f"Did not start {facts['failed']} of the last {_count(int(facts['demands']), 'time')}: its "
        f"starts lie between {share} ({float(facts['confidence']):.0%} sure)."
    )
    seen += (
        f" That is surely under {float(facts['target']):.0%}."
        if facts.get("proven")
        else " That is a reason to look, and no proof."
    )
    return Sentence(
        title="Starts fail often",
        seen=seen,
        do="Have fuel, battery and starting system looked at "
        + ("today." if f.severity == "same_day" else "at the next visit."),
        cautions=CAUTIONS,
    )


def _harder_starting(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    if facts.get("measure") == "attempts":
        grown = f"from {facts['before']:.1f} to {facts['now']:.1f} attempts a start"
    else:
        grown = f"from {facts['before']:.1f} to {facts['now']:.1f} s of cranking"
    return Sentence(
        title="Starts harder",
        seen=f"Has come to start harder since {moment(int(facts['from_at']), zone, now)}: {grown}, "
        f"over {facts['starts']} starts at about {facts['temp_c']:.0f} °C.",
        do="Look at fuel, air, plugs or glow plugs and battery at the next visit: it may not start "
        "one day.",
        cautions=CAUTIONS,
    )


def _oil_check_in_run(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    began = int(facts["started_at"])
    return Sentence(
        title="Oil check in a long run",
        seen=f"Has run for {span(now - began)} without a stop, since {moment(began, zone, now)}; "
        f"its oil was due for a look after {facts['run_h']:g} h.",
        do="An air-cooled engine can use up its oil: have the level looked at by somebody who "
        "knows the set, with it stopped and cooled. The power is off meanwhile.",
        cautions=CAUTIONS,
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
    "exercise_missed": _exercise_missed,
    "exercise_short": _exercise_short,
    "exercise_under_loaded": _exercise_under_loaded,
    "exercise_time": _exercise_time,
    "starts_unreliable": _starts_unreliable,
    "harder_starting": _harder_starting,
    "oil_check_in_run": _oil_check_in_run,
}


def sentence(finding: Finding, zone: str, now: int) -> Sentence:
    """What to say about a finding, in the site's zone. zone: IANA name; now: UTC seconds."""
    speak = SPEAKERS.get(finding.kind)
    if speak is None:
        return Sentence(title=finding.kind, seen=f"{finding.kind}: {_plain(finding.facts)}")
    return speak(finding, zone, now)


def _plain(facts: dict[str, Any]) -> str:
    return ", ".join(f"{key} {value}" for key, value in sorted(facts.items()))
