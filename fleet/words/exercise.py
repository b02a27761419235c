"""Exercise: missed, short, under-loaded, at another time."""

from __future__ import annotations

from fleet.model import Finding
from fleet.words.saying import (
    CAUTIONS,
    Sentence,
    Speaker,
    moment,
    span,
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


SPEAKERS: dict[str, Speaker] = {
    "exercise_missed": _exercise_missed,
    "exercise_short": _exercise_short,
    "exercise_under_loaded": _exercise_under_loaded,
    "exercise_time": _exercise_time,
}
SENDS_A_PERSON = frozenset({"exercise_missed", "exercise_short"})
