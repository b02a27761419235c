"""Work that is due, and the hours it is counted by."""

from __future__ import annotations

from fleet.model import Finding
from fleet.words.saying import (
    CAUTIONS,
    Sentence,
    Speaker,
    count,
    day,
    hours,
    moment,
    span,
)


def _service_due(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    name = str(facts.get("name", "Service"))
    over = [f"{hours(facts['late_hours_h'])} over"] if facts.get("late_hours_h") else []
    over += [f"{count(facts['late_days'], 'day')} late"] if facts.get("late_days") else []
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
        seen="The hour meter of a device that was fitted here before also counted while the engine "
        "stood, so engine hours are added up from the runs seen."
        if f.facts.get("before")
        else "The hour meter also counts while the engine stands, so it is not used: "
        "engine hours are added up from the runs seen.",
    )


SPEAKERS: dict[str, Speaker] = {
    "service_due": _service_due,
    "oil_check_in_run": _oil_check_in_run,
    "meter_reset": _meter_reset,
    "meter_rolled_over": _meter_rolled_over,
    "meter_disagrees": _meter_disagrees,
    "uses_integrated_hours": _uses_integrated_hours,
}
SENDS_A_PERSON = frozenset({"service_due", "oil_check_in_run", "meter_reset"})
