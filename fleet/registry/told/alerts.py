"""What people do with alerts: answer, shelve, mark, call; and what pages ask of one of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from fleet.model import Call, Episode, Mark, Notice, Scope, Step
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.scoped import customer_in, unit_seen
from fleet.registry.base.statements import note_changes, upsert
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor
from fleet.registry.told.episodes import episodes_of, write_episodes


def episode(reg: Registry, scope: Scope, id: str) -> Episode | None:
    """One episode with its steps; None where the scope has none of that id.

    A restricted scope sees those of its own units and sites only.
    """
    c = tables.episode.c
    query = sa.select(tables.episode).where(c.id == id, customer_in(scope, c.customer))
    with reg.read() as connection:
        rows = connection.execute(query).all()
        return next(iter(episodes_of(connection, rows)), None)


def history(reg: Registry, scope: Scope, since: int, limit: int = 20_000) -> list[Episode]:
    """Every episode that was open at some moment since then, the oldest first."""
    c = tables.episode.c
    query = sa.select(tables.episode).where(
        customer_in(scope, c.customer), sa.or_(c.closed_at.is_(None), c.closed_at >= since)
    )
    with reg.read() as connection:
        rows = connection.execute(query.order_by(c.opened_at, c.id).limit(limit)).all()
        return episodes_of(connection, rows)


def opened_since(reg: Registry, scope: Scope, since: int) -> list[Episode]:
    """Episodes that were opened since a moment and are open still, the oldest first."""
    c = tables.episode.c
    query = sa.select(tables.episode).where(
        customer_in(scope, c.customer), c.closed_at.is_(None), c.opened_at >= since
    )
    with reg.read() as connection:
        rows = connection.execute(query.order_by(c.opened_at, c.id)).all()
        return episodes_of(connection, rows)


def add_step(reg: Registry, step: Step, by: Actor) -> bool:
    """Append what a person did to an episode; False where another step of that number came first:
    read the episode again."""
    c = tables.episode.c
    try:
        with reg.write() as connection:
            found = connection.execute(
                sa.select(tables.episode).where(c.id == step.episode)
            ).first()
            if found is None or found.closed_at is not None:
                return False
            write_episodes(connection, (), [step])
            kind, _, name = found.subject.partition(":")
            said = f"{step.kind} {found.kind}"
            note(connection, step.at, "alert_answered", by, found.subject, said)
            changed = {"at": step.at, "unit": name if kind == "unit" else ""}
            note_changes(connection, [changed | {"customer": found.customer or ""}])
    except IntegrityError:
        return False
    return True


def set_mark(reg: Registry, mark: Mark, by: Actor) -> None:
    """Keep what a person thought of an alert; the newest opinion counts."""
    row = {"episode": mark.episode, "at": mark.at, "doc": documents.encode(mark)}
    with reg.write() as connection:
        connection.execute(upsert(reg.dialect, tables.mark), [row])
        note(connection, mark.at, "alert_marked", by, mark.episode, mark.mark)


def marks(reg: Registry, scope: Scope, episodes: Iterable[str]) -> dict[str, Mark]:
    """What was thought of those of these episodes that the scope sees."""
    e, c = tables.episode.c, tables.mark.c
    query = (
        sa.select(c.doc)
        .select_from(tables.mark.join(tables.episode, e.id == c.episode))
        .where(c.episode.in_(list(episodes)), customer_in(scope, e.customer))
    )
    with reg.read() as connection:
        found = [documents.mark(doc) for doc in connection.execute(query).scalars()]
    return {mark.episode: mark for mark in found}


class RuleMarks(msgspec.Struct, frozen=True, kw_only=True):
    """How the alerts of one kind of finding were marked. customer_first: the customer knew."""

    kind: str
    right: int = 0
    wrong: int = 0
    known: int = 0
    customer_first: int = 0


def marks_by_kind(reg: Registry, scope: Scope, since: int) -> list[RuleMarks]:
    """Which rule is wrong most: counts since a moment, the one most often wrong first."""
    e, m = tables.episode.c, tables.mark.c
    query = (
        sa.select(e.kind, m.doc)
        .select_from(tables.mark.join(tables.episode, e.id == m.episode))
        .where(m.at >= since, customer_in(scope, e.customer))
    )
    found: dict[str, dict[str, int]] = {}
    with reg.read() as connection:
        for row in connection.execute(query):
            mark = documents.mark(row.doc)
            counts = found.setdefault(row.kind, {})
            counts[mark.mark] = counts.get(mark.mark, 0) + 1
            counts["customer_first"] = counts.get("customer_first", 0) + mark.customer_first
    made = [RuleMarks(kind=kind, **counts) for kind, counts in found.items()]
    return sorted(made, key=lambda r: (-r.wrong, -(r.right + r.known), r.kind))


def add_call(reg: Registry, call: Call, by: Actor) -> None:
    """Keep that somebody was called, or that somebody has it. The same id again changes nothing."""
    row = {
        "id": call.id,
        "episode": call.episode,
        "unit": call.unit or None,
        "at": call.at,
        "doc": documents.encode(call),
    }
    try:
        with reg.write() as connection:
            connection.execute(sa.insert(tables.call), [row])
            note(connection, call.at, "call_made", by, call.unit or call.episode, call.outcome)
    except IntegrityError:
        return


def calls(reg: Registry, scope: Scope, episode: str) -> list[Call]:
    """Calls about an alert or an outage, the oldest first. A restricted scope sees those about its
    own units."""
    c = tables.call.c
    query = sa.select(c.doc).where(c.episode == episode, unit_seen(scope, c.unit))
    query = query.order_by(c.at, c.id)
    with reg.read() as connection:
        return [documents.call(doc) for doc in connection.execute(query).scalars()]


def notices(reg: Registry, scope: Scope, cause: str) -> list[tuple[Notice, str]]:
    """What was sent, or waits to be, about a cause, with its state; the oldest first. Who is told is
    the firm's own: a restricted scope sees none."""
    c = tables.notice.c
    if not scope.everything:
        return []
    query = sa.select(c.doc, c.state).where(c.cause == cause)
    with reg.read() as connection:
        found = [(documents.notice(row.doc), str(row.state)) for row in connection.execute(query)]
    return sorted(found, key=lambda pair: (pair[0].made_at, pair[0].id))


def messages(reg: Registry, scope: Scope, since: int) -> tuple[int, int]:
    """(messages, people they went to) since a moment; one told by several ways counts once. The
    firm's own: none for a restricted scope."""
    c = tables.notice.c
    if not scope.everything:
        return 0, 0
    query = sa.select(c.person, c.cause, c.not_before).where(c.not_before >= since).distinct()
    with reg.read() as connection:
        rows = connection.execute(query).all()
    return len(rows), len({row.person for row in rows})


def unanswered(reg: Registry, since: int) -> list[Notice]:
    """Waking notices made since a moment, of alerts that nobody has taken yet."""
    e, n = tables.episode.c, tables.notice.c
    query = (
        sa.select(n.doc)
        .select_from(tables.notice.join(tables.episode, e.id == n.cause))
        .where(e.closed_at.is_(None), e.acknowledged_at.is_(None), n.not_before >= since)
    )
    with reg.read() as connection:
        made = [documents.notice(doc) for doc in connection.execute(query).scalars()]
    waking = [notice for notice in made if notice.wakes]
    return _still_open(reg, waking)


def _still_open(reg: Registry, made: Sequence[Notice]) -> list[Notice]:
    """Without those whose alert is over or held back by now (its last step says so)."""
    c = tables.step.c
    causes = sorted({notice.cause for notice in made})
    last: dict[str, str] = {}
    if causes:
        query = sa.select(c.episode, c.kind).where(c.episode.in_(causes)).order_by(c.n)
        with reg.read() as connection:
            last = {row.episode: row.kind for row in connection.execute(query)}
    quiet = {"returned", "shelved", "suppressed", "removed", "cleared", "acknowledged"}
    return [notice for notice in made if last.get(notice.cause) not in quiet]
