"""The outbox: who takes a notice to deliver it, and what becomes of it.

At least once: a notice is claimed for a while; a claim without an outcome is claimed again, under
the same id, so that whoever gets it twice can tell.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

import msgspec
import sqlalchemy as sa

from fleet.model import DeliveryMethod, Notice
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.told.outbox.tries import Tried, book, tries_in

LEASE_S = 300
"""A claim without an outcome is claimed again after so long. Longer than any try may take. A pace
of ours."""
PAUSES_S = (15, 60, 300, 900, 1800)
"""Between tries; the last one goes on. A pace of ours."""
LOOKED_AT = 200
"""Of what waits, so many are looked at for the one that goes first. A size of a batch."""
GIVE_UP_S = 24 * 3600
"""A notice that could not be delivered for a day has failed. Common practice, no source."""


class Claimed(msgspec.Struct, frozen=True, kw_only=True):
    """A notice to deliver now. token: hand it back with the outcome. done: targets reached before;
    tried: how many tries are in the book."""

    notice: Notice
    token: int
    tries: int
    done: frozenset[str] = frozenset()
    tried: int = 0


def claim(
    reg: Registry, now: int, way: DeliveryMethod, limit: int, busy: Collection[str] = ()
) -> list[Claimed]:
    """Take up to `limit` notices of a way that may leave at `now`; nobody else gets them for LEASE_S.

    Those that wake first, then the oldest; one a person, so that what a person reads comes in its
    order. busy: persons who are being tried by this way just now.
    """
    c = tables.notice.c
    due = sa.or_(
        sa.and_(c.state == "waiting", c.not_before <= now),
        sa.and_(c.state == "claimed", c.again_at <= now),
    )
    due = sa.and_(due, c.way == way, c.person.not_in(busy))
    taken: list[Claimed] = []
    with reg.read() as connection:  # most looks find nothing: no write lock for those
        if connection.execute(sa.select(c.id).where(due).limit(1)).first() is None:
            return []
    with reg.write() as connection:
        rows = connection.execute(
            sa.select(c.id, c.state, c.tries, c.doc)
            .where(due)
            .order_by(c.not_before, c.id)
            .limit(LOOKED_AT)
        ).all()
        held = {row.id: row for row in rows}
        notices = {row.id: _readable(row.doc) for row in rows}
        unread = [id for id, notice in notices.items() if notice is None]
        if unread:  # kept as they are, and in nobody's way
            connection.execute(
                sa.update(tables.notice)
                .where(c.id.in_(unread))
                .values(state="failed", again_at=None)
            )
        for notice in _foremost(one for one in notices.values() if one is not None)[:limit]:
            row = held[notice.id]
            same = sa.and_(c.id == row.id, c.state == row.state, c.tries == row.tries)
            values = {"state": "claimed", "again_at": now + LEASE_S, "tries": row.tries + 1}
            if connection.execute(sa.update(tables.notice).where(same).values(values)).rowcount:
                taken.append(Claimed(notice=notice, token=row.tries + 1, tries=row.tries))
        tries = tries_in(connection, [one.notice.id for one in taken])
    return [
        msgspec.structs.replace(
            one,
            done=frozenset(
                x.target for x in tries if x.notice == one.notice.id and x.outcome == "delivered"
            ),
            tried=sum(x.notice == one.notice.id for x in tries),
        )
        for one in taken
    ]


def put_down(reg: Registry, now: int, why: str) -> int:
    """Count notices that may leave at `now` as told, though nobody is sent anything: for whoever
    follows a recording, so that what is told later follows as it would have. Returns how many.

    why: a sentence for the book of tries.
    """
    c = tables.notice.c
    due = sa.and_(c.state == "waiting", c.not_before <= now)
    with reg.read() as connection:
        if connection.execute(sa.select(c.id).where(due).limit(1)).first() is None:
            return 0
    with reg.write() as connection:
        ids = list(connection.execute(sa.select(c.id).where(due).order_by(c.id)).scalars())
        for id in ids:
            book(connection, id, [("", "not_allowed", why)], now)
        connection.execute(sa.update(tables.notice).where(due).values(state="sent"))
    return len(ids)


def next_leaving(reg: Registry) -> int | None:
    """When the first notice that waits may leave [s UTC]; None: none waits."""
    c = tables.notice.c
    with reg.read() as connection:
        query = sa.select(sa.func.min(c.not_before)).where(c.state == "waiting")
        found: int | None = connection.execute(query).scalar()
    return found


def _foremost(notices: Iterable[Notice]) -> list[Notice]:
    """The one that goes first of each person's."""
    found: dict[str, Notice] = {}
    for notice in sorted(notices, key=lambda one: (not one.wakes, one.not_before, one.id)):
        found.setdefault(notice.person, notice)
    return list(found.values())


def _readable(doc: bytes) -> Notice | None:
    try:
        return documents.notice(doc)
    except msgspec.MsgspecError:
        return None


def reword(reg: Registry, claimed: Claimed, notice: Notice) -> Claimed:
    """The claimed notice with words of its own moment, kept as what was said; the same where nothing
    changed, or where somebody else has taken the claim over meanwhile."""
    if notice == claimed.notice:
        return claimed
    c = tables.notice.c
    mine = sa.and_(c.id == notice.id, c.state == "claimed", c.tries == claimed.token)
    with reg.write() as connection:
        connection.execute(
            sa.update(tables.notice).where(mine).values(doc=documents.encode(notice))
        )
    return msgspec.structs.replace(claimed, notice=notice)


def release(reg: Registry, now: int) -> int:
    """Whoever begins to lead takes over what a sender before it had claimed; how many."""
    c = tables.notice.c
    with reg.write() as connection:
        late = sa.and_(c.state == "claimed", c.again_at > now)
        return int(
            connection.execute(sa.update(tables.notice).where(late).values(again_at=now)).rowcount
        )


def record(
    reg: Registry, claimed: Claimed, tries: Sequence[Tried], now: int, before: Sequence[Tried] = ()
) -> str:
    """Write how a claimed notice fared, once every target was tried. Returns its state.

    tries: those not in the book yet; before: those of this claim that `add_tries` wrote. sent when
    every target has it; failed when none is left to try, or after a day; else it is tried again
    after a pause. A claim that somebody else has taken over meanwhile only adds its tries to the
    book.
    """
    c = tables.notice.c
    made = [*before, *tries]
    left = [x for x in made if x[1] == "not_delivered"]
    if not left:
        state = "sent" if claimed.done or any(x[1] == "delivered" for x in made) else "failed"
    else:
        state = "failed" if now - claimed.notice.not_before >= GIVE_UP_S else "claimed"
    pause = PAUSES_S[min(claimed.tries, len(PAUSES_S) - 1)]
    values = {"state": state, "again_at": now + pause if state == "claimed" else None}
    with reg.write() as connection:
        book(connection, claimed.notice.id, tries, now)
        mine = sa.and_(c.id == claimed.notice.id, c.state == "claimed", c.tries == claimed.token)
        connection.execute(sa.update(tables.notice).where(mine).values(values))
    return state


def add_tries(reg: Registry, claimed: Claimed, tries: Sequence[Tried], now: int) -> None:
    """Write tries of a claimed notice while others of its targets are still being tried."""
    with reg.write() as connection:
        book(connection, claimed.notice.id, tries, now)
