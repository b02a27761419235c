"""Outages of the mains: what is said of one, of how a site fares in it, and of our own line."""

from __future__ import annotations

from typing import Any

from fleet.model import Call, CallOutcome, Cover, Finding, OutageMember
from fleet.words.saying import CAUTIONS, Sentence, Speaker, count, moment, span

COVERS: dict[Cover, str] = {
    "failed": "Would not start",
    "not_running": "Stands still, mains off",
    "no_voltage": "Runs without volts",
    "unproven": "No proof of cover",
    "waiting": "Not heard yet",
    "low_fuel": "Covered, fuel low",
    "covered": "Covered",
    "aside": "Out of service",
    "mains_back": "Mains back",
}
"""How a site fares, in a few words."""

ASK: dict[Cover, str] = {
    "failed": "Ask whether they have power. Send the nearest van.",
    "not_running": "Ask whether they have power. Send the nearest van.",
    "no_voltage": "Ask whether they have power. Send the nearest van.",
    "unproven": "Nothing was heard since the mains went. Ask whether they have power.",
    "waiting": "Wait for its next report; call if it does not come.",
    "low_fuel": "Ask how much fuel there is and who can bring more.",
    "covered": "No call needed.",
    "aside": "It carries nothing now. Tell them so.",
    "mains_back": "No call needed.",
}
"""What to ask on the phone, or to do. Nobody at a site is asked to touch the set."""

OUTCOMES: dict[CallOutcome, str] = {
    "mine": "I have it",
    "no_answer": "No answer",
    "left_message": "Left a message",
    "has_power": "They have power",
    "no_power": "They have no power",
    "van_sent": "Van sent",
    "written": "Written to the customer",
}

SAID: tuple[tuple[Cover, str], ...] = (
    ("failed", "would not start"),
    ("not_running", "stand still with the mains off"),
    ("no_voltage", "run without volts"),
    ("unproven", "without proof of cover"),
    ("waiting", "not heard yet"),
    ("low_fuel", "with little fuel"),
    ("covered", "covered"),
    ("mains_back", "with mains again"),
)


def tally_words(cover: dict[str, Any]) -> str:
    """How many sets fare how: "2 would not start, 5 without proof of cover, 31 covered"."""
    parts = [f"{cover[name]} {words}" for name, words in SAID if cover.get(name)]
    return ", ".join(parts)


def outcome(value: CallOutcome) -> str:
    """What came of a call, in words."""
    return OUTCOMES[value]


def call_words(call: Call, who: str, zone: str, now: int) -> str:
    """A line of the call log: "They have no power, Dee, 07:05", "Written to the customer by Dee 07:12".
    who: '' where no name is for the reader; zone: the site's; now: UTC seconds."""
    at, said = moment(call.at, zone, now), outcome(call.outcome)
    if call.outcome == "written":
        by = f"{said} by {who} {at}" if who else f"{said} {at}"
        return ", ".join(part for part in (by, call.note) if part)
    return ", ".join(part for part in (said, who, at, call.note) if part)


def cover(value: Cover) -> str:
    """How a site fares, in a few words."""
    return COVERS[value]


def minutes_words(member: OutageMember) -> str:
    """How long a site was covered and not, once its outage is over: "58 min covered, 2 min not"."""
    parts = [
        f"{span(seconds)} {words}"
        for seconds, words in (
            (member.covered_s, "covered"),
            (member.uncovered_s, "not covered"),
            (member.unproven_s, "not known"),
        )
        if seconds >= 1
    ]
    return ", ".join(parts) or "no time without mains"


def _mains_outage(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    began = moment(f.since, zone, now)
    if isinstance(earliest := facts.get("earliest_at"), int) and f.since - earliest >= 120:
        began = f"between {moment(earliest, zone, now)} and {began}"
    if facts.get("alone"):
        seen = (
            f"No mains at this site since {began}; sets nearby have it or say nothing: it may be "
        )
        seen += "its own main switch or a fuse."
    else:
        where = str(facts.get("area") or "the area")
        seen = f"No mains in {where} since {began}: {count(int(facts.get('sets', 0)), 'set')} at "
        seen += f"{count(int(facts.get('sites', 0)), 'site')}."
    told = tally_words(facts.get("cover", {}))
    seen += f" {told[:1].upper()}{told[1:]}." if told else ""
    ended = facts.get("ended_at")
    if isinstance(ended, int):
        seen += f" The mains was back at {moment(ended, zone, now)}."
    urgent = f.severity == "act_now" and ended is None
    return Sentence(
        title="Mains out" if facts.get("alone") else "Outage",
        seen=seen,
        do="Work down the call list, send a van where there is no power." if urgent else "",
        cautions=CAUTIONS,
    )


def _own_line(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    return Sentence(
        title="Our own line",
        seen=f"{count(int(facts.get('units', 0)), 'set')} fell silent together at "
        f"{moment(f.since, zone, now)}, and none of them had lost its mains first: it is more "
        "likely our own line or broker than theirs.",
        do="Look at the broker and the line of this service first; the sets are unknown meanwhile.",
    )


SPEAKERS: dict[str, Speaker] = {"mains_outage": _mains_outage, "own_line": _own_line}
SENDS_A_PERSON = frozenset({"mains_outage"})
