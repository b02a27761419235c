"""Every try to deliver a notice, appended, and the answers of who got it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec
import sqlalchemy as sa

from fleet.model import EVERYTHING, Notice, Scope
from fleet.registry.base import documents
from fleet.registry.base import tables as t
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
        connection.execute(sa.insert(t.delivery), rows)


def tries_of(reg: Registry, scope: Scope, notices: Iterable[str]) -> list[Try]:
    """Every try of these notices, in order. Whom the firm reaches is its own: a restricted scope sees
    none."""
    if not scope.everything:
        return []
    with reg.read() as connection:
        return tries_in(connection, sorted(set(notices)))


def tries_in(connection: sa.Connection, notices: Sequence[str]) -> list[Try]:
    c = t.delivery.c
    found: list[Try] = []
    for begin in range(0, len(notices), 500):
        query = sa.select(t.delivery).where(c.notice.in_(notices[begin : begin + 500]))
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
    c = t.notice.c
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
            connection.execute(sa.insert(t.delivery), [row])
    return bool(found)


def _last(connection: sa.Connection, notice: str) -> int:
    """Number of the newest try; the notice is held, so that two writers number one after the other."""
    held = sa.select(t.notice.c.id).where(t.notice.c.id == notice).with_for_update()
    connection.execute(held)
    newest = sa.func.coalesce(sa.func.max(t.delivery.c.n), 0)
    return int(
        connection.execute(sa.select(newest).where(t.delivery.c.notice == notice)).scalar_one()
    )


def last_tries(reg: Registry, wanted: Sequence[str]) -> dict[str, Try]:
    """The newest try at each of these targets."""
    c = t.delivery.c
    found: dict[str, Try] = {}
    with reg.read() as connection:
        for target in wanted:
            query = sa.select(t.delivery).where(c.target == target)
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
