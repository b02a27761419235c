"""API tokens for programs and share links for customers: shown once, kept as SHA-256, revocable."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from fleet.model import Scope
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor, ApiToken, AuditKind, PeopleRefused, Right, ShareLink
from fleet.registry.people.persons import check_customers, customers_doc, customers_of, how_many
from fleet.registry.people.secrets import TOKEN_PREFIX, digest_of, new_id, new_secret

USED_EVERY_S = 600
SHARE_DAYS_AT_MOST = 730
TOKEN_DAYS_AT_MOST = 3_650
"""How often a use is written down; days that a link and a token may hold at most. A bound of
ours."""


def make_token(
    reg: Registry,
    name: str,
    rights: frozenset[Right],
    customers: frozenset[str] | None,
    days: int | None,
    by: Actor,
    now: int,
) -> tuple[ApiToken, str]:
    """A token and the secret itself, which is shown now and never again. days None: no end.

    Raises PeopleRefused where a field is unfit.
    """
    if not rights:
        raise PeopleRefused("A token needs at least one right: read, or record.")
    if customers is not None and not customers:
        raise PeopleRefused("Choose the customers the token is for, or all of them.")
    secret = TOKEN_PREFIX + new_secret()
    until = None if days is None else now + _days(days, TOKEN_DAYS_AT_MOST) * 86_400
    made = ApiToken(
        id=new_id(),
        name=_name(name),
        rights=rights,
        customers=customers,
        made_at=now,
        made_by=by.name,
        until=until,
    )
    said = " ".join(sorted(rights))
    row = {
        "id": made.id,
        "digest": digest_of(secret),
        "name": made.name,
        "rights": said,
        "customers": customers_doc(customers),
        "made_at": now,
        "made_by": by.name,
        "until": until,
    }
    with reg.write() as connection:
        check_customers(connection, customers)
        connection.execute(sa.insert(tables.api_token).values(row))
        note(connection, now, "token_made", by, made.name, f"{said}, {how_many(customers)}")
    return made, secret


def _name(text: str) -> str:
    name = " ".join(text.split())
    if not 1 <= len(name) <= 100 or not name.isprintable():
        raise PeopleRefused("Please say what it is for, in at most 100 letters.")
    return name


def _days(days: int, most: int) -> int:
    if not 1 <= days <= most:
        raise PeopleRefused(f"It may hold from 1 to {most} days.")
    return days


def _token_of(row: Any) -> ApiToken:
    return ApiToken(
        id=row.id,
        name=row.name,
        rights=frozenset(row.rights.split()),
        customers=customers_of(row.customers),
        made_at=row.made_at,
        made_by=row.made_by,
        until=row.until,
        used_at=row.used_at,
        revoked_at=row.revoked_at,
    )


def token_of(reg: Registry, secret: str, now: int) -> ApiToken | None:
    """The token of a secret, while it holds; notes that it was used (every 10 minutes)."""
    row = _held(reg, tables.api_token, secret, now)
    if row is None:
        return None
    _note_used(reg, tables.api_token, row, now)
    return _token_of(row)


def _held(reg: Registry, table: sa.Table, secret: str, now: int) -> Any:
    c = table.c
    query = sa.select(table).where(c.digest == digest_of(secret), c.revoked_at.is_(None))
    query = query.where(sa.or_(c.until.is_(None), c.until > now))
    with reg.read() as connection:
        return connection.execute(query).first()


def _note_used(reg: Registry, table: sa.Table, row: Any, now: int) -> None:
    if row.used_at is None or now - row.used_at >= USED_EVERY_S:
        with reg.write() as connection:
            connection.execute(sa.update(table).where(table.c.id == row.id).values(used_at=now))


def tokens(reg: Registry, scope: Scope) -> list[ApiToken]:
    """Every token ever made into what the scope holds, the newest first."""
    with reg.read() as connection:
        rows = connection.execute(
            sa.select(tables.api_token).order_by(tables.api_token.c.made_at.desc())
        )
        return [one for one in map(_token_of, rows) if scope.holds(one.scope)]


def revoke_token(reg: Registry, id: str, by: Actor, now: int) -> bool:
    """End a token; False where there is none that still holds."""
    return _revoke(reg, tables.api_token, id, by, now, "token_revoked")


def _revoke(reg: Registry, table: sa.Table, id: str, by: Actor, now: int, kind: AuditKind) -> bool:
    c = table.c
    with reg.write() as connection:
        query = sa.select(c.name).where(c.id == id, c.revoked_at.is_(None))
        name = connection.execute(query).scalar()
        if name is None:
            return False
        connection.execute(sa.update(table).where(c.id == id).values(revoked_at=now))
        note(connection, now, kind, by, name)
    return True


def make_share(
    reg: Registry, name: str, customers: frozenset[str], days: int, by: Actor, now: int
) -> tuple[ShareLink, str]:
    """A share link and its secret, shown now and never again. Raises PeopleRefused."""
    if not customers:
        raise PeopleRefused("Choose the customers whose sets the link shows.")
    secret = new_secret()
    made = ShareLink(
        id=new_id(),
        name=_name(name),
        customers=customers,
        made_at=now,
        made_by=by.name,
        until=now + _days(days, SHARE_DAYS_AT_MOST) * 86_400,
    )
    row = {
        "id": made.id,
        "digest": digest_of(secret),
        "name": made.name,
        "customers": customers_doc(customers),
        "made_at": now,
        "made_by": by.name,
        "until": made.until,
    }
    with reg.write() as connection:
        check_customers(connection, customers)
        connection.execute(sa.insert(tables.share_link).values(row))
        note(connection, now, "share_made", by, made.name, how_many(customers))
    return made, secret


def _share_of(row: Any) -> ShareLink:
    return ShareLink(
        id=row.id,
        name=row.name,
        customers=customers_of(row.customers) or frozenset(),
        made_at=row.made_at,
        made_by=row.made_by,
        until=row.until,
        used_at=row.used_at,
        revoked_at=row.revoked_at,
    )


def share_of(reg: Registry, secret: str, now: int) -> ShareLink | None:
    """The share link of a secret, while it holds."""
    row = _held(reg, tables.share_link, secret, now)
    return None if row is None else _share_of(row)


def open_share(reg: Registry, secret: str, address: str, now: int) -> ShareLink | None:
    """The same, opened by somebody: noted for the owner."""
    row = _held(reg, tables.share_link, secret, now)
    if row is None:
        return None
    with reg.write() as connection:
        used = sa.update(tables.share_link).where(tables.share_link.c.id == row.id)
        connection.execute(used.values(used_at=now))
        note(connection, now, "share_opened", Actor("holder of the link", None, address), row.name)
    return _share_of(row)


def shares(reg: Registry, scope: Scope) -> list[ShareLink]:
    """Every share link ever made into what the scope holds, the newest first."""
    with reg.read() as connection:
        rows = connection.execute(
            sa.select(tables.share_link).order_by(tables.share_link.c.made_at.desc())
        )
        return [one for one in map(_share_of, rows) if scope.holds(one.scope)]


def revoke_share(reg: Registry, id: str, by: Actor, now: int) -> bool:
    """End a share link; False where there is none that still holds."""
    return _revoke(reg, tables.share_link, id, by, now, "share_revoked")
