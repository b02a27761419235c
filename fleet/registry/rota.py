"""What the firm agreed: whose week it is, who is woken for what. Appended; the newest holds."""

from __future__ import annotations

from typing import TypeVar

import msgspec
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from fleet.model import Contact, Rota, Waking, Way
from fleet.registry import tables as t
from fleet.registry.engine import Registry
from fleet.registry.notices import targets
from fleet.registry.people.audit import note
from fleet.registry.people.types import Actor

T = TypeVar("T")
SOONEST: tuple[Way, ...] = ("push", "sms", "webhook", "email")
STAFF = ("technician", "office", "owner")


class AgreedMeanwhile(Exception):
    """Somebody else changed it since it was read. Says so."""


def rota(reg: Registry) -> tuple[Rota, int]:
    """(the rota, its number); an empty one, 0, before the first."""
    return _newest(reg, "rota", Rota, Rota())


def waking(reg: Registry) -> tuple[Waking, int]:
    """(what the owner changed of the waking table, its number)."""
    return _newest(reg, "waking", Waking, Waking())


def agree_rota(reg: Registry, agreed: Rota, n: int, by: Actor, now: int) -> None:
    """Put a rota in place of number n. Raises AgreedMeanwhile."""
    _append(reg, "rota", msgspec.json.encode(agreed), n, by, now)


def agree_waking(reg: Registry, agreed: Waking, n: int, by: Actor, now: int) -> None:
    """Put a waking table in place of number n. Raises AgreedMeanwhile."""
    _append(reg, "waking", msgspec.json.encode(agreed), n, by, now)


def contacts(reg: Registry) -> tuple[Contact, ...]:
    """Everybody of the firm who may come in, and how they are reached (`notices.targets`), the
    way that is heard soonest first."""
    c = t.person.c
    query = sa.select(c.id, c.name).where(c.active.is_(True), c.role.in_(STAFF))
    query = query.where(c.customers.is_(None)).order_by(c.name, c.id)
    reached = {(one.person, one.way) for one in targets(reg)}
    with reg.read() as connection:
        return tuple(
            Contact(
                person=r.id, name=r.name, ways=tuple(w for w in SOONEST if (r.id, w) in reached)
            )
            for r in connection.execute(query)
        )


def _newest(reg: Registry, name: str, kind: type[T], nothing: T) -> tuple[T, int]:
    c = t.agreed.c
    query = sa.select(c.n, c.doc).where(c.name == name).order_by(c.n.desc()).limit(1)
    with reg.read() as connection:
        row = connection.execute(query).first()
    return (nothing, 0) if row is None else (msgspec.json.decode(row.doc, type=kind), int(row.n))


def _append(reg: Registry, name: str, doc: bytes, n: int, by: Actor, now: int) -> None:
    row = {"name": name, "n": n + 1, "at": now, "said_by": by.name, "doc": doc}
    try:
        with reg.write() as connection:
            connection.execute(sa.insert(t.agreed), [row])
            note(connection, now, "setting_changed", by, name)
    except IntegrityError:
        raise AgreedMeanwhile(
            "Somebody else changed this since you opened it: look at what is there now."
        ) from None
