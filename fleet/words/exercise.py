"""Exercise: missed, short, under-loaded, at another time."""

from __future__ import annotations

from datetime import date

from fleet.model import Finding
from fleet.words.saying import (
    CAUTIONS,
    Sentence,
    Speaker,
    moment,
    span,
)

EXERCISE_BY = {
    "readings": "its readings",
    "counter": "its start counter",
    "events": "its start events",
    "meter": "its hour meter",
}


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


def _code_exercise_not_met(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    month = date.fromisoformat(f"{facts['month']}-01")
    asked = "30 min at 30 % of nameplate" if facts.get("diesel") else "30 min"
    if facts.get("longest_min") is None:
        ran = "it did not run that month"
    else:
        ran = f"its best run lasted {facts['longest_min']:g} min"
        ran += f" at {facts['load_pct']:g} %" if facts.get("load_pct") is not None else ""
    do = "Plan this month's test under load with a technician at the set."
    if facts.get("diesel") and facts.get("supplemental") != "met":
        do += (
            " Unless its exhaust temperature was proved, the year asks for the supplemental run: "
            "30 min at 50 %, then 60 min at 75 %."
        )
    return Sentence(
        title="Monthly exercise not met",
        seen=f"{month:%B %Y}: NFPA 110 asks this set for {asked}; {ran}.",
        do=f"{do} The adopted edition and the local authority come first.",
        cautions=CAUTIONS,
    )


SPEAKERS: dict[str, Speaker] = {
    "code_exercise_not_met": _code_exercise_not_met,
    "exercise_missed": _exercise_missed,
    "exercise_short": _exercise_short,
    "exercise_under_loaded": _exercise_under_loaded,
    "exercise_time": _exercise_time,
}
SENDS_A_PERSON = frozenset({"code_exercise_not_met", "exercise_missed", "exercise_short"})
