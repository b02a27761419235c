"""Sessions: rows that can be revoked, found by the SHA-256 of the token in the cookie."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor, PeopleRefused, Person, Session
from fleet.registry.people.persons import person_of
from fleet.registry.people.secrets import digest_of, new_id, new_secret

IDLE_S = 12 * 3600
PHONE_IDLE_S = 30 * 86_400
ABSOLUTE_S = 90 * 86_400
"""A session ends 12 h after its last use, on a phone of one's own 30 days; either after 90 days.
Common practice, no source."""
SEEN_EVERY_S = 60
"""How often a session's last use is written down. A pace of ours."""


def open_session(
    reg: Registry,
    person: Person,
    phone: bool,
    agent: str,
    address: str,
    now: int,
    instead_of: str = "",
    proof: str = "",
) -> str:
    """A new session's token for the cookie. instead_of: the token it replaces, which then ends.

    proof: the password's hash that was verified. Raises PeopleRefused where it was changed
    meanwhile or the person may no longer sign in.
    """
    token = new_secret()
    with reg.write() as connection:
        connection.execute(sa.delete(tables.session).where(sa.not_(_holds(now))))
        if instead_of:
            old = tables.session.c.digest == digest_of(instead_of)
            connection.execute(sa.delete(tables.session).where(old))
        standing = _standing(connection, person, proof)
        row = {
            "digest": digest_of(token),
            "id": new_id(),
            "person": standing.id,
            "phone": phone,
            "agent": agent[:200],
            "address": address[:100],
            "made_at": now,
            "seen_at": now,
        }
        connection.execute(sa.insert(tables.session).values(row))
        by = Actor(standing.name, standing.id, address)
        note(connection, now, "sign_in", by, standing.login, "own phone" if phone else "")
    return token


def _standing(connection: sa.Connection, person: Person, proof: str) -> Person:
    """The person as kept now; what was read before may have changed since."""
    row = connection.execute(
        sa.select(tables.person).where(tables.person.c.id == person.id)
    ).first()
    if row is None or not row.active or (proof and row.password != proof):
        raise PeopleRefused("This person may no longer sign in so.")
    return person_of(row)


def _holds(now: int) -> sa.ColumnElement[bool]:
    c = tables.session.c
    idle = sa.case((c.phone.is_(True), PHONE_IDLE_S), else_=IDLE_S)
    return sa.and_(c.seen_at + idle > now, c.made_at + ABSOLUTE_S > now)


_COLUMNS = [
    *(c for c in tables.person.c if c.name != "made_at"),
    tables.person.c.made_at,
    tables.session.c.id.label("s_id"),
    tables.session.c.phone,
    tables.session.c.agent,
    tables.session.c.address,
    tables.session.c.made_at.label("s_made"),
    tables.session.c.seen_at,
]


def _session_of(row: Any) -> Session:
    return Session(
        id=row.s_id,
        person=person_of(row),
        phone=bool(row.phone),
        agent=row.agent,
        address=row.address,
        made_at=row.s_made,
        seen_at=row.seen_at,
    )


def session_of(reg: Registry, token: str, now: int) -> Session | None:
    """The session of a cookie's token, while it holds and its person is let in."""
    joined = tables.session.join(tables.person, tables.person.c.id == tables.session.c.person)
    query = sa.select(*_COLUMNS).select_from(joined)
    query = query.where(
        tables.session.c.digest == digest_of(token), tables.person.c.active.is_(True), _holds(now)
    )
    with reg.read() as connection:
        row = connection.execute(query).first()
    return None if row is None else _session_of(row)


def note_seen(reg: Registry, session: Session, now: int) -> None:
    """Used just now; written at most once a minute."""
    if now - session.seen_at < SEEN_EVERY_S:
        return
    c = tables.session.c
    with reg.write() as connection:
        update = sa.update(tables.session).where(c.id == session.id, c.seen_at < now)
        connection.execute(update.values(seen_at=now))


def sessions(reg: Registry, person: str, now: int) -> list[Session]:
    """A person's sessions that hold, the last used first."""
    joined = tables.session.join(tables.person, tables.person.c.id == tables.session.c.person)
    query = sa.select(*_COLUMNS).select_from(joined)
    query = query.where(tables.session.c.person == person, _holds(now))
    with reg.read() as connection:
        rows = connection.execute(query.order_by(tables.session.c.seen_at.desc())).all()
    return [_session_of(row) for row in rows]


def sign_out(reg: Registry, session: Session, address: str, now: int) -> None:
    """End a session by its own wish."""
    by = Actor(session.person.name, session.person.id, address)
    with reg.write() as connection:
        connection.execute(sa.delete(tables.session).where(tables.session.c.id == session.id))
        note(connection, now, "sign_out", by, session.person.login)


def end_sessions(
    reg: Registry, person: Person, by: Actor, now: int, only: str = "", but: str = ""
) -> int:
    """End sessions of a person: one by its id, or all (but one). Returns how many ended."""
    c = tables.session.c
    query = sa.delete(tables.session).where(c.person == person.id, c.id != but)
    if only:
        query = query.where(c.id == only)
    with reg.write() as connection:
        ended = connection.execute(query).rowcount
        if ended:
            note(connection, now, "session_ended", by, person.login, str(ended))
    return ended
