"""The alert episodes that were told to people, step by step."""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet.findings import Finding, Severity

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
