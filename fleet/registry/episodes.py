"""Episodes and their steps as a turn or a person writes them, in the caller's transaction."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import Episode, Step
from fleet.registry import tables as t

AFRESH = ("recurred", "realarmed", "unshelved", "restored", "unsuppressed")
"""Steps after which an earlier answer counts no more (see `scheduler.alarms.lifecycle`)."""

_encode = msgspec.json.Encoder().encode


def write_episodes(
    connection: sa.Connection, opened: Sequence[tuple[Episode, str | None]], steps: Sequence[Step]
) -> None:
    """Insert episodes (each with its customer) and steps, and bring the rows to what they say."""
    for step in steps:
        if closes(step):  # first, so that the same kind may be open anew
            apply_step(connection, step)
    if opened:
        connection.execute(sa.insert(t.episode), [episode_row(e, c) for e, c in opened])
    made = {(s.episode, s.n): s for episode, _ in opened for s in episode.steps}
    made.update({(s.episode, s.n): s for s in steps})
    if made:
        connection.execute(sa.insert(t.step), [step_row(made[key]) for key in sorted(made)])
    for key in sorted(made):
        apply_step(connection, made[key])


def closes(step: Step) -> bool:
    """Whether the episode is over and done with after this step."""
    return step.state == "normal" or (not step.state and step.kind == "cleared")


def apply_step(connection: sa.Connection, step: Step) -> None:
    """Bring the episode's row to what its step says."""
    values: dict[str, Any] = {}
    if step.finding is not None:
        values = {"severity": step.finding.severity, "doc": _encode(step.finding)}
    if closes(step):
        values["closed_at"] = step.at
    elif step.kind == "acknowledged":
        values["acknowledged_at"] = step.at
    elif step.kind in AFRESH:
        values["acknowledged_at"] = None
    if values:
        connection.execute(sa.update(t.episode).where(t.episode.c.id == step.episode), values)


def episode_row(episode: Episode, customer: str | None) -> dict[str, Any]:
    return {
        "id": episode.id,
        "subject": episode.subject,
        "kind": episode.kind,
        "part": episode.part,
        "customer": customer,
        "severity": episode.severity,
        "opened_at": episode.opened_at,
        "closed_at": episode.closed_at,
        "acknowledged_at": episode.acknowledged_at,
        "doc": _encode(episode.finding),
    }


def step_row(step: Step) -> dict[str, Any]:
    return {
        "episode": step.episode,
        "n": step.n,
        "at": step.at,
        "kind": step.kind,
        "doc": _encode(step),
    }
