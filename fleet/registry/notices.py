"""The outbox: who takes a notice to deliver it, how each try fared, and where people are reached.

At least once: a notice is claimed for a while; a claim without an outcome is claimed again, under
the same id, so that whoever gets it twice can tell. Every try is appended.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Literal
from uuid import uuid4

import msgspec
import sqlalchemy as sa
from cryptography.fernet import Fernet, InvalidToken

from fleet.model import Notice, Way
from fleet.registry import tables as t
from fleet.registry.engine import Registry
from fleet.registry.people.audit import note
from fleet.registry.people.types import Actor
from fleet.registry.types import RegistryFault

LEASE_S = 300
"""A claim without an outcome is claimed again after so long. Longer than any try may take."""
PAUSES_S = (15, 60, 300, 900, 1800)
"""Between tries; the last one goes on."""
LOOKED_AT = 200
"""Of what waits, so many are looked at for the one that goes first."""
GIVE_UP_S = 24 * 3600
"""A notice that could not be delivered for a day has failed."""
MOST_TARGETS = 10
"""Addresses of a person: each gets every message of its kind."""
Outcome = Literal["delivered", "not_delivered", "not_allowed", "answered"]
_notice = msgspec.json.Decoder(Notice).decode


class TargetRefused(RegistryFault):
    """A way to reach somebody cannot be kept. A sentence: what was wrong and what to do."""


class Target(msgspec.Struct, frozen=True, kw_only=True):
    """Where a person is reached. shown: what may be seen of the address; address: the whole of it,
    '' where it was not asked for or cannot be opened with this installation's key."""

    id: str
    person: str
    way: Way
    shown: str
    address: str = ""
    made_at: int = 0
    made_by: str = ""


class Try(msgspec.Struct, frozen=True, kw_only=True):
    """One try to reach a target. detail: a sentence without secrets."""

    notice: str
    n: int
    target: str
    at: int
    outcome: Outcome
    detail: str = ""


class Claimed(msgspec.Struct, frozen=True, kw_only=True):
    """A notice to deliver now. token: hand it back with the outcome. done: targets reached before;
    tried: how many tries are in the book."""

    notice: Notice
    token: int
    tries: int
    done: frozenset[str] = frozenset()
    tried: int = 0


def claim(
    reg: Registry, now: int, way: Way, limit: int, busy: Collection[str] = ()
) -> list[Claimed]:
    """Take up to `limit` notices of a way that may leave at `now`; nobody else gets them for LEASE_S.

    Those that wake first, then the oldest; one a person, so that what a person reads comes in its
    order. busy: persons who are being tried by this way just now.
    """
    c = t.notice.c
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
            .where(due).order_by(c.not_before, c.id).limit(LOOKED_AT)
        ).all()  # fmt: skip
        held = {row.id: row for row in rows}
        notices = {row.id: _readable(row.doc) for row in rows}
        unread = [id for id, notice in notices.items() if notice is None]
        if unread:  # kept as they are, and in nobody's way
            connection.execute(
                sa.update(t.notice).where(c.id.in_(unread)).values(state="failed", again_at=None)
            )
        for notice in _foremost(one for one in notices.values() if one is not None)[:limit]:
            row = held[notice.id]
            same = sa.and_(c.id == row.id, c.state == row.state, c.tries == row.tries)
            values = {"state": "claimed", "again_at": now + LEASE_S, "tries": row.tries + 1}
            if connection.execute(sa.update(t.notice).where(same).values(values)).rowcount:
                taken.append(Claimed(notice=notice, token=row.tries + 1, tries=row.tries))
        tries = _tries(connection, [one.notice.id for one in taken])
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


def _foremost(notices: Iterable[Notice]) -> list[Notice]:
    """The one that goes first of each person's."""
    found: dict[str, Notice] = {}
    for notice in sorted(notices, key=lambda one: (not one.wakes, one.not_before, one.id)):
        found.setdefault(notice.person, notice)
    return list(found.values())


def _readable(doc: bytes) -> Notice | None:
    try:
        return _notice(doc)
    except msgspec.MsgspecError:
        return None


def release(reg: Registry, now: int) -> int:
    """Whoever begins to lead takes over what a sender before it had claimed; how many."""
    c = t.notice.c
    with reg.write() as connection:
        late = sa.and_(c.state == "claimed", c.again_at > now)
        return int(
            connection.execute(sa.update(t.notice).where(late).values(again_at=now)).rowcount
        )


Tried = tuple[str, Outcome, str]
"""(target, outcome, detail) of one try."""


def record(
    reg: Registry, claimed: Claimed, tries: Sequence[Tried], now: int, before: Sequence[Tried] = ()
) -> str:
    """Write how a claimed notice fared, once every target was tried. Returns its state.

    tries: those not in the book yet; before: those of this claim that `add_tries` wrote. sent when
    every target has it; failed when none is left to try, or after a day; else it is tried again
    after a pause. A claim that somebody else has taken over meanwhile only adds its tries to the
    book.
    """
    c = t.notice.c
    made = [*before, *tries]
    left = [x for x in made if x[1] == "not_delivered"]
    if not left:
        state = "sent" if claimed.done or any(x[1] == "delivered" for x in made) else "failed"
    else:
        state = "failed" if now - claimed.notice.not_before >= GIVE_UP_S else "claimed"
    pause = PAUSES_S[min(claimed.tries, len(PAUSES_S) - 1)]
    values = {"state": state, "again_at": now + pause if state == "claimed" else None}
    with reg.write() as connection:
        _book(connection, claimed.notice.id, tries, now)
        mine = sa.and_(c.id == claimed.notice.id, c.state == "claimed", c.tries == claimed.token)
        connection.execute(sa.update(t.notice).where(mine).values(values))
    return state


def add_tries(reg: Registry, claimed: Claimed, tries: Sequence[Tried], now: int) -> None:
    """Write tries of a claimed notice while others of its targets are still being tried."""
    with reg.write() as connection:
        _book(connection, claimed.notice.id, tries, now)


def _book(connection: sa.Connection, notice: str, tries: Sequence[Tried], now: int) -> None:
    if tries:
        n = _last(connection, notice)
        rows = [
            {"notice": notice, "n": n + i, "target": target, "at": now, "outcome": outcome,
             "detail": detail[:300]}
            for i, (target, outcome, detail) in enumerate(tries, start=1)
        ]  # fmt: skip
        connection.execute(sa.insert(t.delivery), rows)


def tries_of(reg: Registry, notices: Iterable[str]) -> list[Try]:
    """Every try of these notices, in order."""
    with reg.read() as connection:
        return _tries(connection, sorted(set(notices)))


def _tries(connection: sa.Connection, notices: Sequence[str]) -> list[Try]:
    c = t.delivery.c
    found: list[Try] = []
    for begin in range(0, len(notices), 500):
        query = sa.select(t.delivery).where(c.notice.in_(notices[begin : begin + 500]))
        rows = connection.execute(query.order_by(c.at, c.n))
        found += [
            Try(notice=r.notice, n=r.n, target=r.target, at=r.at, outcome=r.outcome,
                detail=r.detail)
            for r in rows
        ]  # fmt: skip
    return found


def of_cause(reg: Registry, cause: str) -> list[Notice]:
    """The notices of a cause, the oldest first."""
    c = t.notice.c
    with reg.read() as connection:
        docs = connection.execute(sa.select(c.doc).where(c.cause == cause)).scalars()
        return sorted((_notice(doc) for doc in docs), key=lambda one: (one.made_at, one.id))


def answers(reg: Registry, cause: str) -> list[Try]:
    """Who answered the notices of a cause, and when; detail: the name."""
    ids = [one.id for one in of_cause(reg, cause)]
    return [one for one in tries_of(reg, ids) if one.outcome == "answered"]


def answer(reg: Registry, cause: str, by: Actor, now: int) -> bool:
    """Somebody tapped that the notices of a cause arrived; False where there are none."""
    found = of_cause(reg, cause)
    with reg.write() as connection:
        for one in found:
            row = {"notice": one.id, "n": _last(connection, one.id) + 1, "target": "", "at": now, "outcome": "answered",
                   "detail": by.name[:100]}  # fmt: skip
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
                found[target] = Try(notice=row.notice, n=row.n, target=row.target, at=row.at,
                                    outcome=row.outcome, detail=row.detail)  # fmt: skip
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
    c = t.notice.c
    late = sa.and_(c.state.in_(("waiting", "claimed")), c.not_before < late_before)
    query = sa.select(c.cause, c.person, c.not_before, c.state).where(
        sa.or_(late, c.state == "failed"), c.not_before >= since, c.cause.not_like("channel!_test:%", escape="!")
    )  # fmt: skip
    with reg.read() as connection:
        return [
            Unreached(cause=row.cause, person=row.person, not_before=row.not_before,
                      given_up=row.state == "failed")
            for row in connection.execute(query)
        ]  # fmt: skip


def outbox_counts(reg: Registry, now: int) -> dict[str, int]:
    """Notices of a week by state; `late` are those that should have left over five minutes ago."""
    c = t.notice.c
    lately = c.not_before > now - 7 * 86_400
    late = sa.and_(c.state.in_(("waiting", "claimed")), c.not_before < now - 300)
    with reg.read() as connection:
        rows = connection.execute(
            sa.select(c.state, sa.func.count()).where(lately).group_by(c.state)
        )
        found = {str(state): int(n) for state, n in rows}
        found["late"] = int(connection.execute(sa.select(sa.func.count()).where(late)).scalar_one())
    return found


def add_target(
    reg: Registry, person: str, way: Way, address: str, shown: str, key: bytes, by: Actor, now: int
) -> str:
    """Keep a way to reach a person, its address encrypted. Returns its id. Raises TargetRefused."""
    made, c = str(uuid4()), t.target.c
    held = sa.select(t.target).where(c.person == person, c.removed_at.is_(None))
    with reg.write() as connection:
        if not connection.execute(sa.select(t.person.c.id).where(t.person.c.id == person)).first():
            raise TargetRefused("There is no such person: choose one from the list.")
        others = [_target(row, key) for row in connection.execute(held)]
        if any(one.address == address for one in others):
            raise TargetRefused("This address is there already.")
        if len(others) >= MOST_TARGETS:
            raise TargetRefused(f"{MOST_TARGETS} addresses are the most: remove one first.")
        row = {"id": made, "person": person, "way": way, "shown": shown,
               "sealed": Fernet(key).encrypt(address.encode()), "made_at": now,
               "made_by": by.name}  # fmt: skip
        connection.execute(sa.insert(t.target), [row])
        note(connection, now, "channel_changed", by, person, f"{way} added")
    return made


def remove_target(reg: Registry, id: str, by: Actor, now: int) -> bool:
    """Use a target no more; False where it is not there."""
    c = t.target.c
    with reg.write() as connection:
        where = sa.and_(c.id == id, c.removed_at.is_(None))
        row = connection.execute(sa.select(c.person, c.way).where(where)).first()
        if row is None:
            return False
        connection.execute(sa.update(t.target).where(where).values(removed_at=now, sealed=b""))
        note(connection, now, "channel_changed", by, row.person, f"{row.way} removed")
    return True


def targets(
    reg: Registry, person: str | None = None, way: Way | None = None, key: bytes | None = None
) -> list[Target]:
    """Ways to reach people, those of one person, or one way. key: to open their addresses.

    Who signs in with an e-mail address and has no other is reached there.
    """
    c, p = t.target.c, t.person.c
    query = sa.select(t.target).join(t.person, p.id == c.person)
    query = query.where(c.removed_at.is_(None), p.active.is_(True)).order_by(c.made_at, c.id)
    by_login = sa.select(p.id, p.login).where(p.active.is_(True)).order_by(p.id)
    with reg.read() as connection:
        found = [_target(row, key) for row in connection.execute(query)]
        mailed = {one.person for one in found if one.way == "email"}
        found += [
            Target(id=f"login-{row.id}", person=row.id, way="email", shown=row.login,
                   address=row.login)
            for row in connection.execute(by_login)
            if "@" in row.login and row.id not in mailed
        ]  # fmt: skip
    return [
        one
        for one in found
        if (person is None or one.person == person) and (way is None or one.way == way)
    ]


def _target(row: sa.Row[tuple[object, ...]], key: bytes | None) -> Target:
    held = row._mapping
    address = ""
    if key is not None:
        try:
            address = Fernet(key).decrypt(bytes(held["sealed"])).decode()
        except InvalidToken:
            address = ""
    return Target(
        id=held["id"], person=held["person"], way=held["way"], shown=held["shown"],
        address=address, made_at=held["made_at"], made_by=held["made_by"],
    )  # fmt: skip
