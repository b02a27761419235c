"""The states of an alert and the one table of steps between them (ANSI/ISA-18.2, IEC 62682;
docs/engineering/alarms.md#states).

A state is what the steps of an episode lead to; nothing else is kept. A step that the table does
not hold cannot be made: acknowledging what is normal, or clearing an alert that nobody has seen.
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from fleet.findings import row_of
from fleet.findings.reporting import NotReporting
from fleet.model import AlertState, Episode, Finding, Step, StepKind

SILENT: frozenset[AlertState] = frozenset({"shelved", "out_of_service", "suppressed"})
"""Nothing is told of an alert in these states; it goes on being judged."""
COMES_AND_GOES = 3
COMES_AND_GOES_S = 86_400
"""A device that was heard again and fell silent again so often within a day comes and goes. Common
practice, no source."""
HEARD_AGAIN_S = 3_600
"""It is heard again after an hour without a silence at least. Common practice, no source."""
LIVE: tuple[AlertState, ...] = ("unacknowledged", "acknowledged", "returned")

_SHIFTS: dict[StepKind, AlertState] = {
    "shelved": "shelved",
    "removed": "out_of_service",
    "suppressed": "suppressed",
}
_BACK: dict[StepKind, AlertState] = {
    "unshelved": "shelved",
    "restored": "out_of_service",
    "unsuppressed": "suppressed",
}

TRANSITIONS: dict[tuple[AlertState, StepKind], AlertState] = {
    ("normal", "raised"): "unacknowledged",
    ("unacknowledged", "changed"): "unacknowledged",
    ("unacknowledged", "acknowledged"): "acknowledged",
    ("unacknowledged", "lapsed"): "unacknowledged",
    ("unacknowledged", "resumed"): "unacknowledged",
    ("unacknowledged", "returned"): "returned",
    ("acknowledged", "changed"): "acknowledged",
    ("acknowledged", "realarmed"): "unacknowledged",
    ("acknowledged", "lapsed"): "acknowledged",
    ("acknowledged", "resumed"): "acknowledged",
    ("acknowledged", "cleared"): "normal",
    ("returned", "acknowledged"): "normal",
    ("returned", "recurred"): "unacknowledged",
    **{(state, kind): to for state in ("normal", *LIVE) for kind, to in _SHIFTS.items()},
    **{(state, kind): "unacknowledged" for kind, state in _BACK.items()},
    **{(state, "cleared"): "normal" for state in SILENT},
}
"""(state, step) to state; what is not here is refused.

lapsed and resumed are the off-delay: the condition is not seen any more, or again, and the alert
stays as it is meanwhile. Leaving a silent state is judged anew: unacknowledged where the condition
holds, normal where it is gone (`cleared`).
"""


class IllegalStep(ValueError):
    """A step that the table does not hold. Its text says which, from which state."""


def after(state: AlertState, kind: StepKind) -> AlertState:
    """The state a step leads to. Raises IllegalStep."""
    found = TRANSITIONS.get((state, kind))
    if found is None:
        raise IllegalStep(f"An alert that is {WORDS[state]} cannot be {kind}.")
    return found


WORDS: dict[AlertState, str] = {
    "normal": "over",
    "unacknowledged": "unanswered",
    "acknowledged": "taken",
    "returned": "over but seen by nobody",
    "shelved": "shelved",
    "out_of_service": "out of service",
    "suppressed": "held back by its cause",
}


def state_of(episode: Episode) -> AlertState:
    """Where the episode's steps have led. Steps of older versions say no state; their kind does."""
    state: AlertState = "normal"
    for step in episode.steps:
        if step.state:
            state = step.state
        elif step.kind == "cleared":
            state = "normal"
        else:
            state = TRANSITIONS.get((state, step.kind), state)
    return state


def next_step(
    episode: Episode,
    kind: StepKind,
    now: int,
    *,
    by: str = "",
    finding: Finding | None = None,
    until: int | None = None,
    cause: str = "",
) -> Step:
    """The next step of an episode. Raises IllegalStep; a shelf needs an end after now."""
    if kind == "shelved" and (until is None or until <= now):
        raise IllegalStep("A shelf needs an end that is still to come.")
    return Step(
        episode=episode.id,
        n=max((s.n for s in episode.steps), default=0) + 1,
        at=now,
        kind=kind,
        by=by,
        finding=finding,
        state=after(state_of(episode), kind),
        until=until,
        cause=cause,
    )


def grown(episode: Episode, steps: Iterable[Step]) -> Episode:
    """The episode with these further steps of its own, as the registry will keep it."""
    for step in steps:
        if step.episode != episode.id:
            continue
        shown = step.finding or episode.finding
        closed = step.at if step.state == "normal" else None
        answered = episode.acknowledged_at
        if step.state == "acknowledged" and step.kind == "acknowledged":
            answered = step.at
        elif step.state == "unacknowledged" and step.kind in AFRESH:
            answered = None
        episode = msgspec.structs.replace(
            episode,
            steps=(*episode.steps, step),
            finding=shown,
            severity=shown.severity,
            closed_at=closed,
            acknowledged_at=answered,
        )
    return episode


AFRESH: frozenset[StepKind] = frozenset(
    {"recurred", "realarmed", "unshelved", "restored", "unsuppressed"}
)
"""Steps after which an earlier answer counts no more."""


def acknowledge(episode: Episode, by: str, now: int) -> Step:
    """A person has seen it (has it in hand, or saw that it is over). Raises IllegalStep."""
    return next_step(episode, "acknowledged", now, by=by)


def shelve(episode: Episode, by: str, until: int, now: int, why: str = "") -> Step:
    """A person wants to hear no more of it until then (UTC seconds). Raises IllegalStep."""
    return next_step(episode, "shelved", now, by=by, until=until, cause=why)


def unshelve(episode: Episode, by: str, now: int) -> Step:
    """A person takes it off the shelf early; the next turn judges it anew. Raises IllegalStep."""
    return next_step(episode, "unshelved", now, by=by)


def newest(episode: Episode, *kinds: StepKind) -> Step | None:
    """The newest step of these kinds."""
    return next((s for s in reversed(episode.steps) if s.kind in kinds), None)


def crossings(episode: Episode) -> int:
    """How often the condition went and came back within the episode."""
    return sum(1 for s in episode.steps if s.kind in ("resumed", "recurred"))


def over_after_s(episode: Episode, gone_at: int) -> int:
    """How long its condition must be gone before it is over [s]: its kind's time. The silence of a
    device that comes and goes is one: it is over when the device was heard for twice as long as
    between two silences of the day before. gone_at: since when it is gone [s UTC]."""
    usual_s = row_of(episode.finding.facts).alarm.over_after_s
    if not isinstance(episode.finding.facts, NotReporting):
        return usual_s
    heard_at, heard_s = 0, []
    for step in episode.steps:
        if step.kind in ("returned", "lapsed"):
            heard_at = step.at
        elif step.kind in ("recurred", "resumed") and gone_at - step.at < COMES_AND_GOES_S:
            heard_s.append(step.at - heard_at)
    if len(heard_s) < COMES_AND_GOES:
        return usual_s
    return min(max(2 * max(heard_s), HEARD_AGAIN_S), COMES_AND_GOES_S)


def lapsed_at(episode: Episode) -> int | None:
    """Since when the condition has not been seen any more, waiting for its off-delay; else None."""
    for step in reversed(episode.steps):
        if step.kind == "lapsed":
            return step.at
        if step.kind not in ("acknowledged", "changed"):
            return None
    return None
