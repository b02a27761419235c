"""Episodes, their steps and notices as a turn writes them, in the caller's transaction."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import Episode, Notice, Step
from fleet.registry import tables as t
from fleet.registry.engine import Registry
from fleet.registry.statements import insert_of

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
        "id": episode.id, "subject": episode.subject, "kind": episode.kind,
        "part": episode.part, "customer": customer, "severity": episode.severity,
        "opened_at": episode.opened_at, "closed_at": episode.closed_at,
        "acknowledged_at": episode.acknowledged_at, "doc": _encode(episode.finding),
    }  # fmt: skip


def step_row(step: Step) -> dict[str, Any]:
    return {
        "episode": step.episode, "n": step.n, "at": step.at,
        "kind": step.kind, "doc": _encode(step),
    }  # fmt: skip


def write_notices(
    connection: sa.Connection, notices: Sequence[Notice], withdrawn: Iterable[str], now: int
) -> None:
    """Put notices into the outbox; the same id again changes nothing.

    withdrawn: causes whose notices that wait for later than `now`, or could not be delivered yet,
    need not leave any more: nobody is told of what is over after it is over. An
    all-clear is kept for those only who were told of what is over.
    """
    causes = sorted(set(withdrawn))
    c = t.notice.c
    if causes:
        late = sa.and_(c.cause.in_(causes), c.state == "waiting", c.not_before > now)
        connection.execute(sa.delete(t.notice).where(late))
        stuck = sa.and_(c.cause.in_(causes), c.state == "claimed")
        connection.execute(
            sa.update(t.notice).where(stuck).values(state="withdrawn", again_at=None)
        )
    told = _told(connection, {n.cause for n in notices if n.kind == "cleared"})
    rows = [notice_row(n) for n in notices if n.kind != "cleared" or (n.cause, n.person) in told]
    if rows:
        put = insert_of(connection.dialect.name, t.notice).on_conflict_do_nothing()
        connection.execute(put, rows)


def put_notices(reg: Registry, notices: Sequence[Notice], now: int) -> None:
    """Put notices into the outbox in a transaction of their own; the same id again changes nothing."""
    with reg.write() as connection:
        write_notices(connection, notices, (), now)


def _told(connection: sa.Connection, causes: set[str]) -> set[tuple[str, str]]:
    """(cause, person) of everybody who was told, or is about to be."""
    c = t.notice.c
    lost = ("failed", "withdrawn")
    query = sa.select(c.cause, c.person).where(c.cause.in_(sorted(causes)), c.state.not_in(lost))
    return {(row.cause, row.person) for row in connection.execute(query)} if causes else set()


def notice_row(notice: Notice) -> dict[str, Any]:
    return {
        "id": notice.id, "cause": notice.cause, "person": notice.person, "way": notice.way,
        "state": "waiting", "not_before": notice.not_before, "doc": _encode(notice),
    }  # fmt: skip
