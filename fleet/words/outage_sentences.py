"""Outages of the mains: how a site fares in one, and the calls to it."""

from __future__ import annotations

from fleet.findings.mains import tally_words
from fleet.findings.saying import moment, span
from fleet.model import Call, CallOutcome, Cover, OutageMember

__all__ = [
    "ASK",
    "COVERS",
    "OUTCOMES",
    "call_words",
    "cover",
    "minutes_words",
    "outcome",
    "tally_words",
]

COVERS: dict[Cover, str] = {
    "failed": "Would not start",
    "not_running": "Stands still, mains off",
    "bad_output": "Runs with bad output",
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
    "bad_output": "Ask for the load to be off at its breakers and for hands off the set. Send the nearest van.",
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
