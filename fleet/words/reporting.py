"""Devices that say nothing, or say it oddly."""

from __future__ import annotations

from fleet.model import Finding
from fleet.words.saying import (
    CAUTIONS,
    CONDITIONS,
    Sentence,
    Speaker,
    count,
    day,
    megabytes,
    moment,
    span,
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
    if last in ("running", "last_heard_running"):
        seen += " It was running when it was last heard."
    elif last in CONDITIONS:
        seen += f" It last said: {CONDITIONS[last].lower()}."
    return Sentence(
        title=f"Silent {span(now - heard)}",
        seen=seen,
        do="Check its power and signal; treat it as unknown, not as ready.",
        cautions=CAUTIONS,
    )


def _clock_wrong(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Device clock wrong",
        seen="The device gives times that cannot be right, or has ceased to give any; its readings "
        f"carry the time they were received, since {moment(f.since, zone, now)}.",
        do="Have the device's clock set from the network.",
    )


def _sequence_gaps(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Messages missing",
        seen=f"{f.facts.get('gaps', 'Some')} numbered messages of this device never arrived.",
    )


def _sim_ending(f: Finding, zone: str, now: int) -> Sentence:
    last, left = day(str(f.facts["ends"])), int(f.facts["days_left"])
    name = f"The data card {f.facts['sim']}".rstrip() if f.facts.get("sim") else "The data card"
    if f.facts.get("works"):
        return Sentence(
            title="Data card past its end",
            seen=f"{name} was to end on {last}, and the device is heard all the same.",
            do="Write the new last day into the register.",
            cautions=CAUTIONS,
        )
    if left < 0:
        title, seen = "Data card ended", f"{name} ended on {last}."
    else:
        title = "Data card ends today" if not left else f"Data card ends in {count(left, 'day')}"
        seen = f"{name} ends on {last}; from then on nothing is heard of the set."
    return Sentence(
        title=title,
        seen=seen,
        do="Renew the card with its network, or fit another at the next visit.",
        cautions=CAUTIONS,
    )


def _data_budget(f: Finding, zone: str, now: int) -> Sentence:
    used, budget = float(f.facts["used_mb"]), float(f.facts["budget_mb"])
    return Sentence(
        title="Data budget used up" if used >= budget else "Data budget nearly used",
        seen=f"About {megabytes(used)} of {budget:g} MB were received this month, "
        f"{round(100 * used / budget)} %.",
        do="Have the device report less often, or agree on more data.",
    )


SPEAKERS: dict[str, Speaker] = {
    "not_reporting": _not_reporting,
    "clock_wrong": _clock_wrong,
    "sequence_gaps": _sequence_gaps,
    "sim_ending": _sim_ending,
    "data_budget": _data_budget,
}
SENDS_A_PERSON = frozenset({"not_reporting", "sim_ending"})
