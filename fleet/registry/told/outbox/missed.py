"""What has not arrived."""

from __future__ import annotations

import msgspec
import sqlalchemy as sa

from fleet.defaults import MESSAGE_LATE_S
from fleet.model import Scope
from fleet.registry.base import tables as t
from fleet.registry.base.engine import Registry


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
    c = t.notice.c
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
    c = t.notice.c
    lately = c.not_before > now - 7 * 86_400
    late = sa.and_(c.state.in_(("waiting", "claimed")), c.not_before < now - MESSAGE_LATE_S)
    with reg.read() as connection:
        rows = connection.execute(
            sa.select(c.state, sa.func.count()).where(lately).group_by(c.state)
        )
        found = {str(state): int(n) for state, n in rows}
        found["late"] = int(connection.execute(sa.select(sa.func.count()).where(late)).scalar_one())
    return found
