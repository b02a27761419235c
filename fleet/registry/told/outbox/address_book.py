"""Where people are reached: their addresses, encrypted with the installation's key."""

from __future__ import annotations

from uuid import uuid4

import msgspec
import sqlalchemy as sa
from cryptography.fernet import Fernet, InvalidToken

from fleet.model import DeliveryMethod
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor

MOST_TARGETS = 10
"""Addresses of a person: each gets every message of its kind. A bound of ours."""


class TargetRefused(RegistryFault):
    """A way to reach somebody cannot be kept. A sentence: what was wrong and what to do."""


class Target(msgspec.Struct, frozen=True, kw_only=True):
    """Where a person is reached. shown: what may be seen of the address; address: the whole of it,
    '' where it was not asked for or cannot be opened with this installation's key. name: the
    person's."""

    id: str
    person: str
    way: DeliveryMethod
    shown: str
    address: str = ""
    made_at: int = 0
    made_by: str = ""
    name: str = ""


def add_target(
    reg: Registry,
    person: str,
    way: DeliveryMethod,
    address: str,
    shown: str,
    key: bytes,
    by: Actor,
    now: int,
) -> str:
    """Keep a way to reach a person, its address encrypted. Returns its id. Raises TargetRefused."""
    made, c = str(uuid4()), tables.target.c
    held = sa.select(tables.target).where(c.person == person, c.removed_at.is_(None))
    with reg.write() as connection:
        if not connection.execute(
            sa.select(tables.person.c.id).where(tables.person.c.id == person)
        ).first():
            raise TargetRefused("There is no such person: choose one from the list.")
        others = [_target(row, key) for row in connection.execute(held)]
        if any(one.address == address for one in others):
            raise TargetRefused("This address is there already.")
        if len(others) >= MOST_TARGETS:
            raise TargetRefused(f"{MOST_TARGETS} addresses are the most: remove one first.")
        row = {
            "id": made,
            "person": person,
            "way": way,
            "shown": shown,
            "sealed": Fernet(key).encrypt(address.encode()),
            "made_at": now,
            "made_by": by.name,
        }
        connection.execute(sa.insert(tables.target), [row])
        note(connection, now, "channel_changed", by, person, f"{way} added")
    return made


def remove_target(reg: Registry, id: str, by: Actor, now: int) -> bool:
    """Use a target no more; False where it is not there."""
    c = tables.target.c
    with reg.write() as connection:
        where = sa.and_(c.id == id, c.removed_at.is_(None))
        row = connection.execute(sa.select(c.person, c.way).where(where)).first()
        if row is None:
            return False
        connection.execute(sa.update(tables.target).where(where).values(removed_at=now, sealed=b""))
        note(connection, now, "channel_changed", by, row.person, f"{row.way} removed")
    return True


def targets(
    reg: Registry,
    person: str | None = None,
    way: DeliveryMethod | None = None,
    key: bytes | None = None,
) -> list[Target]:
    """Ways to reach people, those of one person, or one way. key: to open their addresses.

    Who signs in with an e-mail address and has no other is reached there.
    """
    c, p = tables.target.c, tables.person.c
    query = sa.select(tables.target, p.name).join(tables.person, p.id == c.person)
    query = query.where(c.removed_at.is_(None), p.active.is_(True)).order_by(c.made_at, c.id)
    by_login = sa.select(p.id, p.login, p.name).where(p.active.is_(True)).order_by(p.id)
    with reg.read() as connection:
        found = [_target(row, key) for row in connection.execute(query)]
        mailed = {one.person for one in found if one.way == "email"}
        found += [
            Target(
                id=f"login-{row.id}",
                person=row.id,
                way="email",
                shown=row.login,
                address=row.login,
                name=row.name,
            )
            for row in connection.execute(by_login)
            if "@" in row.login and row.id not in mailed
        ]
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
        id=held["id"],
        person=held["person"],
        way=held["way"],
        shown=held["shown"],
        address=address,
        made_at=held["made_at"],
        made_by=held["made_by"],
        name=held.get("name", ""),
    )
