"""What was found, and the alert episodes that were told to people."""

from __future__ import annotations

from typing import Any, Literal

import msgspec

Severity = Literal["act_now", "same_day", "next_visit", "no_word", "note"]
SEVERITIES: tuple[Severity, ...] = ("act_now", "same_day", "next_visit", "no_word", "note")
"""Gravest first; the order of lists."""


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """Which readings a statement stands on. Times in UTC seconds."""

    channels: tuple[str, ...] = ()
    from_at: int | None = None
    to_at: int | None = None
    readings: int = 0
    oldest_s: int | None = None
    note: str = ""


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """Something a rule saw. Sentences are made from `kind` and `facts` in `fleet.words` alone.

    part: which task, circuit or battery, where a unit can have the finding more than once.
    since: when the condition began; learned_at: when we could first know it.
    """

    kind: str
    severity: Severity
    since: int
    part: str = ""
    learned_at: int | None = None
    facts: dict[str, Any] = {}
    evidence: Evidence = Evidence()


StepKind = Literal[
    "raised",
    "changed",
    "realarmed",
    "acknowledged",
    "lapsed",
    "resumed",
    "returned",
    "recurred",
    "cleared",
    "shelved",
    "unshelved",
    "removed",
    "restored",
    "suppressed",
    "unsuppressed",
]
AlertState = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned",
    "shelved",
    "out_of_service",
    "suppressed",
]
"""The states of ANSI/ISA-18.2; returned: over, and nobody has said they saw it."""


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """One step in an episode's life. Unique on (episode, n); appended, never changed.

    state: the episode's after the step ('' in steps written before there were states). until: end
    of a shelf (UTC seconds). cause: what suppresses it (an outage's or a visit's id), or why.
    """

    episode: str
    n: int
    at: int
    kind: StepKind
    by: str = ""
    finding: Finding | None = None
    state: AlertState | Literal[""] = ""
    until: int | None = None
    cause: str = ""


class Episode(msgspec.Struct, frozen=True, kw_only=True):
    """One alert from raised to cleared.

    subject: unit:ID, device:ID, site:ID, area:NAME or service.
    """

    id: str
    subject: str
    kind: str
    part: str
    severity: Severity
    opened_at: int
    closed_at: int | None = None
    acknowledged_at: int | None = None
    finding: Finding
    steps: tuple[Step, ...] = ()
