"""The life of an alert: raised, changed, acknowledged, cleared (simple form of ANSI/ISA-18.2).

At most one episode is open per (subject, kind, part). What was told is never recomputed: an
episode is its appended steps. A finding that ends and comes back later opens a new episode. A Note
is information and opens none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from fleet.model import SEVERITIES, Episode, Finding, Step

NEW_TURN_IS_NEWS = frozenset({"failed_start"})
"""Kinds that happen at a moment: another one while the episode is open is a step of its life."""


def step(
    open_episodes: Iterable[Episode], subject: str, findings: Iterable[Finding], now: int
) -> tuple[list[Episode], list[Step]]:
    """What changes between the open episodes of a subject and what is found of it now.

    Returns the episodes to open, each with its first step inside, and the steps to append to
    those that are open: `changed` when the severity is another, `cleared` when it is found no
    more. Nothing for what stays as it was, so a restart tells nobody anything twice.
    """
    standing = _by_key(findings)
    known = {(e.kind, e.part): e for e in open_episodes if e.subject == subject and not e.closed_at}
    opened = [_open(subject, finding, now) for key, finding in standing.items() if key not in known]
    steps: list[Step] = []
    for key, episode in sorted(known.items()):
        found = standing.get(key)
        if found is None:
            steps.append(Step(episode=episode.id, n=_next(episode), at=now, kind="cleared"))
        elif _is_news(episode, found):
            steps.append(
                Step(episode=episode.id, n=_next(episode), at=now, kind="changed", finding=found)
            )
    return opened, steps


def episode_id(subject: str, kind: str, part: str, opened_at: int) -> str:
    """The same id whenever the same episode is worked out again."""
    text = "\x1f".join((subject, kind, part, str(opened_at)))
    return "e" + hashlib.sha256(text.encode()).hexdigest()[:31]


def _by_key(findings: Iterable[Finding]) -> dict[tuple[str, str], Finding]:
    """By (kind, part), the gravest of each; without Notes; in a fixed order."""
    kept: dict[tuple[str, str], Finding] = {}
    order = sorted(findings, key=lambda f: (f.kind, f.part, SEVERITIES.index(f.severity), f.since))
    for finding in order:
        if finding.severity != "note":
            kept.setdefault((finding.kind, finding.part), finding)
    return kept


def _open(subject: str, finding: Finding, now: int) -> Episode:
    name = episode_id(subject, finding.kind, finding.part, now)
    return Episode(
        id=name,
        subject=subject,
        kind=finding.kind,
        part=finding.part,
        severity=finding.severity,
        opened_at=now,
        finding=finding,
        steps=(Step(episode=name, n=1, at=now, kind="raised", finding=finding),),
    )


def _next(episode: Episode) -> int:
    return max((s.n for s in episode.steps), default=0) + 1


def _is_news(episode: Episode, found: Finding) -> bool:
    last = episode.finding
    for told in episode.steps:
        last = told.finding or last
    if found.severity != last.severity:
        return True
    return found.kind in NEW_TURN_IS_NEWS and found.since > last.since
