"""Findings to sentences: the one room that speaks, a file for each family of findings.

Every sentence says what was seen, then what to do, and claims nothing beyond its facts. A sentence
that sends a person to a set carries its caution lines (docs/engineering/cautions.md). Nothing here
asks anybody for another start, a jump start or to open a panel, and nobody is asked to switch to
automatic before the last technician has answered.
"""

from __future__ import annotations

from typing import Any

import msgspec

from fleet.model import Finding
from fleet.words import (
    alarms,
    battery,
    exercise,
    fuel,
    mains,
    notices,
    outage,
    readiness,
    reporting,
    service,
    starting,
    supply,
)
from fleet.words.saying import (
    CAUTIONS,
    CONDITIONS,
    LEARNED,
    SEVERITY_WORDS,
    Sentence,
    Speaker,
    began,
    condition,
    count,
    day,
    hours,
    is_late,
    megabytes,
    moment,
    percent_range,
    severity,
    span,
)

__all__ = [
    "CAUTIONS",
    "CONDITIONS",
    "SENDS_A_PERSON",
    "SEVERITY_WORDS",
    "SPEAKERS",
    "Sentence",
    "condition",
    "count",
    "day",
    "hours",
    "megabytes",
    "moment",
    "percent_range",
    "sentence",
    "severity",
    "span",
]

FAMILIES = (
    battery,
    starting,
    reporting,
    service,
    exercise,
    mains,
    fuel,
    readiness,
    supply,
    outage,
    alarms,
    notices,
)
SPEAKERS: dict[str, Speaker] = {k: s for family in FAMILIES for k, s in family.SPEAKERS.items()}
SENDS_A_PERSON: frozenset[str] = frozenset().union(*(f.SENDS_A_PERSON for f in FAMILIES))
"""Findings whose next step may bring somebody to the set."""


def sentence(finding: Finding, zone: str, now: int) -> Sentence:
    """What to say about a finding, in the site's zone. zone: IANA name; now: UTC seconds.

    Late news has both times, whatever its kind: in what was seen, and short as `late`.
    """
    speak = SPEAKERS.get(finding.kind)
    if speak is None:
        said = Sentence(title=finding.kind, seen=f"{finding.kind}: {_plain(finding.facts)}")
    else:
        said = speak(finding, zone, now)
    if not is_late(finding):
        return said
    both = began(finding, zone, now)
    seen = _with_both(said.seen, moment(finding.since, zone, now), both)
    short = both.replace(f"{LEARNED}at ", LEARNED)
    return msgspec.structs.replace(said, seen=seen, late=short)


def _with_both(seen: str, start: str, both: str) -> str:
    """What was seen with both times: the later one beside the earlier where that stands after "since"
    or "at", else in a sentence of its own."""
    if both in seen:
        return seen
    for before in ("since", "at"):
        head, found, tail = seen.partition(f"{before} {start}")
        if found:
            comma = "," if tail.startswith(" ") else ""
            return f"{head}{before} {both}{comma}{tail}"
    return f"{seen} It began at {both}."


def _plain(facts: dict[str, Any]) -> str:
    return ", ".join(f"{key} {value}" for key, value in sorted(facts.items()))
