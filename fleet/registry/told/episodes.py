"""Alerts as they are kept, and the one writer of them: episodes, steps, and the notices of them.

A unit's turn, a look at the outages, a look at the service itself and a person's answer all come
this way.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from fleet.model import Episode, Step
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.told.outbox import write_notices
from fleet.registry.told.rows import AlertChanges

AFRESH = ("recurred", "realarmed", "unshelved", "restored", "unsuppressed")
"""Steps after which an earlier answer counts no more (see `scheduler.alarms.lifecycle`)."""


def write_alerts(
    connection: sa.Connection, news: Iterable[AlertChanges], customers: Mapping[str, str], now: int
) -> None:
    """Write what looks make of alerts, in the caller's transaction.

    customers: of each opened episode that belongs to one; the others are seen with the whole fleet.
    Raises IntegrityError where another writer's step or episode is there already (see `clashing`).
    """
    made = list(news)
    opened = [(e, customers.get(e.id)) for one in made for e in one.opened]
    write_episodes(connection, opened, [step for one in made for step in one.steps])
    notices = [notice for one in made for notice in one.notices]
    write_notices(connection, notices, [cause for one in made for cause in one.withdrawn], now)


def write_alone(reg: Registry, changes: AlertChanges, now: int) -> bool:
    """Write what a look at the service itself makes of its alerts, in one short transaction.

    False where another writer's step came between: nothing was written, look again. Raises
    RegistryDown.
    """
    try:
        with reg.write() as connection:
            write_alerts(connection, [changes], {}, now)
    except IntegrityError:
        return False
    return True


def clashing(connection: sa.Connection, news: Sequence[AlertChanges]) -> list[bool]:
    """Of each, whether another writer was there before: a step of that number or of an episode that
    nobody opened, or an alert of the same kind that is open already."""
    named = {step.episode for changes in news for step in changes.steps}
    named.update(episode.id for changes in news for episode in changes.opened)
    if not named:
        return [False] * len(news)
    c = tables.episode.c
    present = set(connection.execute(sa.select(c.id).where(c.id.in_(named))).scalars())
    query = sa.select(tables.step.c.episode, tables.step.c.n).where(
        tables.step.c.episode.in_(named)
    )
    steps = {(row.episode, row.n) for row in connection.execute(query)}
    subjects = {episode.subject for changes in news for episode in changes.opened}
    query_open = sa.select(c.id, c.subject, c.kind, c.part).where(
        c.subject.in_(subjects), c.closed_at.is_(None)
    )
    is_open = {(r.subject, r.kind, r.part): r.id for r in connection.execute(query_open)}
    return [_clashes(changes, present, steps, is_open) for changes in news]


def _clashes(
    changes: AlertChanges,
    present: set[str],
    steps: set[tuple[str, int]],
    is_open: Mapping[tuple[str, str, str], str],
) -> bool:
    closing = {step.episode for step in changes.steps if closes(step)}
    for episode in changes.opened:
        other = is_open.get((episode.subject, episode.kind, episode.part))
        if episode.id in present or (other is not None and other not in closing):
            return True
    known = present | {episode.id for episode in changes.opened}
    return any(s.episode not in known or (s.episode, s.n) in steps for s in changes.steps)


def write_episodes(
    connection: sa.Connection, opened: Sequence[tuple[Episode, str | None]], steps: Sequence[Step]
) -> None:
    """Insert episodes (each with its customer) and steps, and bring the rows to what they say."""
    for step in steps:
        if closes(step):  # first, so that the same kind may be open anew
            _apply(connection, step)
    if opened:
        connection.execute(sa.insert(tables.episode), [_episode_row(e, c) for e, c in opened])
    made = {(s.episode, s.n): s for episode, _ in opened for s in episode.steps}
    made.update({(s.episode, s.n): s for s in steps})
    if made:
        connection.execute(sa.insert(tables.step), [_step_row(made[key]) for key in sorted(made)])
    for key in sorted(made):
        _apply(connection, made[key])


def closes(step: Step) -> bool:
    """Whether the episode is over and done with after this step."""
    return step.state == "normal" or (not step.state and step.kind == "cleared")


def _apply(connection: sa.Connection, step: Step) -> None:
    """Bring the episode's row to what its step says."""
    values: dict[str, Any] = {}
    if step.finding is not None:
        values = {"severity": step.finding.severity, "doc": documents.encode(step.finding)}
    if closes(step):
        values["closed_at"] = step.at
    elif step.kind == "acknowledged":
        values["acknowledged_at"] = step.at
    elif step.kind in AFRESH:
        values["acknowledged_at"] = None
    if values:
        connection.execute(
            sa.update(tables.episode).where(tables.episode.c.id == step.episode), values
        )


def _episode_row(episode: Episode, customer: str | None) -> dict[str, Any]:
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
        "doc": documents.encode(episode.finding),
    }


def _step_row(step: Step) -> dict[str, Any]:
    return {
        "episode": step.episode,
        "n": step.n,
        "at": step.at,
        "kind": step.kind,
        "doc": documents.encode(step),
    }


def open_episodes(reg: Registry, subjects: Iterable[str]) -> list[Episode]:
    """Open episodes of these subjects (`unit:ID`, `device:ID`, ...), with all their steps."""
    with reg.read() as connection:
        rows = connection.execute(_OPEN, {"subjects": list(subjects)}).all()
        return episodes_of(connection, rows)


def episodes_of(connection: sa.Connection, rows: Iterable[Any]) -> list[Episode]:
    """Rows of the table as Episodes with their steps, in the order given."""
    found = list(rows)
    steps: dict[str, list[Step]] = defaultdict(list)
    if found:
        for row in connection.execute(_STEPS, {"episodes": [row.id for row in found]}):
            steps[row.episode].append(documents.step(row.doc))
    return [
        Episode(
            id=row.id,
            subject=row.subject,
            kind=row.kind,
            part=row.part,
            severity=row.severity,
            opened_at=row.opened_at,
            closed_at=row.closed_at,
            acknowledged_at=row.acknowledged_at,
            finding=documents.finding(row.doc),
            steps=tuple(steps[row.id]),
        )
        for row in found
    ]


_OPEN = (
    sa.select(tables.episode)
    .where(
        tables.episode.c.subject.in_(sa.bindparam("subjects", expanding=True)),
        tables.episode.c.closed_at.is_(None),
    )
    .order_by(tables.episode.c.opened_at, tables.episode.c.id)
)
_STEPS = (
    sa.select(tables.step)
    .where(tables.step.c.episode.in_(sa.bindparam("episodes", expanding=True)))
    .order_by(tables.step.c.episode, tables.step.c.n)
)
