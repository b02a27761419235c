"""Starts that failed, and how well a set starts."""

from __future__ import annotations

from fleet.model import Finding
from fleet.words.saying import (
    CAUTIONS,
    Sentence,
    Speaker,
    began,
    count,
    moment,
    percent_range,
    times,
)


def _failed_start(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    attempts = int(facts.get("attempts") or 0)
    seen = f"Did not start at {began(f, zone, now)}"
    seen += f": {times(attempts)}, no run followed." if attempts else ": no run followed."
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


def _not_in_auto(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Not in auto",
        seen=f"The panel switch has been out of automatic since {began(f, zone, now)}: "
        "the set cannot start by itself.",
        do="Ask the last technician first; nobody switches it over while somebody may be at it.",
        cautions=CAUTIONS,
    )


def _starts_unreliable(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    share = percent_range(float(facts["low"]), float(facts["high"]))
    seen = (
        f"Did not start {facts['failed']} of the last {count(int(facts['demands']), 'time')}: its "
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


SPEAKERS: dict[str, Speaker] = {
    "failed_start": _failed_start,
    "not_in_auto": _not_in_auto,
    "starts_unreliable": _starts_unreliable,
    "harder_starting": _harder_starting,
}
SENDS_A_PERSON = frozenset({"failed_start", "not_in_auto", "starts_unreliable", "harder_starting"})
