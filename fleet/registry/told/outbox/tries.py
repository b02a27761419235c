"""Every try to deliver a notice, appended, the answers of who got it, and what has not arrived."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec
import sqlalchemy as sa

from fleet.defaults import MESSAGE_LATE_S
from fleet.model import EVERYTHING, Notice, Scope
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.people.model import Actor

Outcome = Literal["delivered", "not_delivered", "not_allowed", "answered"]
Tried = tuple[str, Outcome, str]
"""(target, outcome, detail) of one try."""


class Try(msgspec.Struct, frozen=True, kw_only=True):
    """One try to reach a target. detail: a sentence without secrets."""

    notice: str
    n: int
    target: str
    at: int
    outcome: Outcome
    detail: str = ""


def book(connection: sa.Connection, notice: str, tries: Sequence[Tried], now: int) -> None:
    if tries:
        n = _last(connection, notice)
        rows = [
            {
                "notice": notice,
                "n": n + i,
                "target": target,
                "at": now,
                "outcome": outcome,
                "detail": detail[:300],
            }
            for i, (target, outcome, detail) in enumerate(tries, start=1)
        ]
        connection.execute(sa.insert(tables.delivery), rows)


def tries_of(reg: Registry, scope: Scope, notices: Iterable[str]) -> list[Try]:
    """Every try of these notices, in order. Whom the firm reaches is its own: a restricted scope sees
    none."""
    if not scope.everything:
        return []
    with reg.read() as connection:
        return tries_in(connection, sorted(set(notices)))


def tries_in(connection: sa.Connection, notices: Sequence[str]) -> list[Try]:
    c = tables.delivery.c
    found: list[Try] = []
    for begin in range(0, len(notices), 500):
        query = sa.select(tables.delivery).where(c.notice.in_(notices[begin : begin + 500]))
        rows = connection.execute(query.order_by(c.at, c.n))
        found += [
            Try(
                notice=r.notice, n=r.n, target=r.target, at=r.at, outcome=r.outcome, detail=r.detail
            )
            for r in rows
        ]
    return found


def of_cause(reg: Registry, scope: Scope, cause: str) -> list[Notice]:
    """The notices of a cause, the oldest first. The firm's own: a restricted scope sees none."""
    if not scope.everything:
        return []
    c = tables.notice.c
    with reg.read() as connection:
        docs = connection.execute(sa.select(c.doc).where(c.cause == cause)).scalars()
        return sorted(
            (documents.notice(doc) for doc in docs), key=lambda one: (one.made_at, one.id)
        )


def answers(reg: Registry, scope: Scope, cause: str) -> list[Try]:
    """Who answered the notices of a cause, and when; detail: the name."""
    ids = [one.id for one in of_cause(reg, scope, cause)]
    return [one for one in tries_of(reg, scope, ids) if one.outcome == "answered"]


def answer(reg: Registry, cause: str, by: Actor, now: int) -> bool:
    """Somebody tapped that the notices of a cause arrived; False where there are none."""
    found = of_cause(reg, EVERYTHING, cause)
    with reg.write() as connection:
        for one in found:
            row = {
                "notice": one.id,
                "n": _last(connection, one.id) + 1,
                "target": "",
                "at": now,
                "outcome": "answered",
                "detail": by.name[:100],
            }
            connection.execute(sa.insert(tables.delivery), [row])
    return bool(found)


def _last(connection: sa.Connection, notice: str) -> int:
    """Number of the newest try; the notice is held, so that two writers number one after the other."""
    held = sa.select(tables.notice.c.id).where(tables.notice.c.id == notice).with_for_update()
    connection.execute(held)
    newest = sa.func.coalesce(sa.func.max(tables.delivery.c.n), 0)
    return int(
        connection.execute(sa.select(newest).where(tables.delivery.c.notice == notice)).scalar_one()
    )


def last_tries(reg: Registry, wanted: Sequence[str]) -> dict[str, Try]:
    """The newest try at each of these targets."""
    c = tables.delivery.c
    found: dict[str, Try] = {}
    with reg.read() as connection:
        for target in wanted:
            query = sa.select(tables.delivery).where(c.target == target)
            row = connection.execute(query.order_by(c.at.desc(), c.n.desc()).limit(1)).first()
            if row is not None:
                found[target] = Try(
                    notice=row.notice,
                    n=row.n,
                    target=row.target,
                    at=row.at,
                    outcome=row.outcome,
                    detail=row.detail,
                )
    return found


class Unreached(msgspec.Struct, frozen=True, kw_only=True):
    """A notice that its person has not got. given_up: nobody tries any more."""

    cause: str
    person: str
    not_before: int
    given_up: bool


def unreached(reg: Registry, late_before: int, since: int) -> list[Unreached]:
    """Notices of `since` and later that nobody has: given up, or to have left before late_before.

    Tests of an address are left out: who pressed it sees how it fared.
    """
    c = tables.notice.c
    late = sa.and_(c.state.in_(("waiting", "claimed")), c.not_before < late_before)
    query = sa.select(c.cause, c.person, c.not_before, c.state).where(
        sa.or_(late, c.state == "failed"),
        c.not_before >= since,
        c.cause.not_like("channel!_test:%", escape="!"),
    )
    with reg.read() as connection:
        return [
            Unreached(
                cause=row.cause,
                person=row.person,
                not_before=row.not_before,
                given_up=row.state == "failed",
            )
            for row in connection.execute(query)
        ]


def outbox_counts(reg: Registry, scope: Scope, now: int) -> dict[str, int]:
    """Notices of a week by state; `late` are those that should have left by now. The firm's own: none
    for a restricted scope."""
    if not scope.everything:
        return {}
    c = tables.notice.c
    lately = c.not_before > now - 7 * 86_400
    late = sa.and_(c.state.in_(("waiting", "claimed")), c.not_before < now - MESSAGE_LATE_S)
    with reg.read() as connection:
        rows = connection.execute(
            sa.select(c.state, sa.func.count()).where(lately).group_by(c.state)
        )
        found = {str(state): int(n) for state, n in rows}
        found["late"] = int(connection.execute(sa.select(sa.func.count()).where(late)).scalar_one())
    return found
