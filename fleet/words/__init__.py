"""Findings to sentences: the one room that speaks, a file for each family of findings.

Every sentence says what was seen, then what to do, and claims nothing beyond its facts. A
sentence that sends a person to a set carries its caution lines (ENGINEERING 15). Nothing here
asks anybody for another start, a jump start or to open a panel, and nobody is asked to switch
to automatic before the last technician has answered.
"""

from __future__ import annotations

from typing import Any

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
    SEVERITY_WORDS,
    Sentence,
    Speaker,
    condition,
    count,
    day,
    hours,
    moment,
    percent_range,
    severity,
    span,
)

__all__ = [
    "CAUTIONS", "CONDITIONS", "SENDS_A_PERSON", "SEVERITY_WORDS", "SPEAKERS", "Sentence",
    "condition", "count", "day", "hours", "moment", "percent_range", "sentence", "severity", "span",
]  # fmt: skip

FAMILIES = (
    battery, starting, reporting, service, exercise, mains, fuel, readiness, supply, outage, alarms,
    notices,
)  # fmt: skip
SPEAKERS: dict[str, Speaker] = {k: s for family in FAMILIES for k, s in family.SPEAKERS.items()}
SENDS_A_PERSON: frozenset[str] = frozenset().union(*(f.SENDS_A_PERSON for f in FAMILIES))
"""Findings whose next step may bring somebody to the set."""


def sentence(finding: Finding, zone: str, now: int) -> Sentence:
    """What to say about a finding, in the site's zone. zone: IANA name; now: UTC seconds."""
    speak = SPEAKERS.get(finding.kind)
    if speak is None:
        return Sentence(title=finding.kind, seen=f"{finding.kind}: {_plain(finding.facts)}")
    return speak(finding, zone, now)


def _plain(facts: dict[str, Any]) -> str:
    return ", ".join(f"{key} {value}" for key, value in sorted(facts.items()))
