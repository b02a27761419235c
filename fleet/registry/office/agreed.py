"""What was agreed, appended under a name: the newest holds, the older ones stay."""

from __future__ import annotations

from typing import TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor, AuditKind

T = TypeVar("T")


MEANWHILE = "Somebody else changed this since you opened it: look at what is there now."


class AgreedMeanwhile(Exception):
    """Somebody else changed it since it was read. Says so."""


def newest(reg: Registry, name: str, kind: type[T], nothing: T) -> tuple[T, int]:
    """(what was agreed last under a name, its number); nothing, 0, before the first."""
    c = tables.agreed.c
    query = sa.select(c.n, c.doc).where(c.name == name).order_by(c.n.desc()).limit(1)
    with reg.read() as connection:
        row = connection.execute(query).first()
    return (nothing, 0) if row is None else (documents.decoder(kind)(row.doc), int(row.n))


def append(
    reg: Registry,
    name: str,
    doc: bytes,
    n: int,
    by: Actor,
    now: int,
    kind: AuditKind = "setting_changed",
    subject: str = "",
    detail: str = "",
) -> None:
    """Put a document in place of number n. kind, subject, detail: of its row in the log of who did
    what; subject '' = the name. Raises AgreedMeanwhile."""
    row = {"name": name, "n": n + 1, "at": now, "said_by": by.name, "doc": doc}
    try:
        with reg.write() as connection:
            last = sa.select(sa.func.max(tables.agreed.c.n)).where(tables.agreed.c.name == name)
            if (connection.execute(last).scalar() or 0) != n:
                raise AgreedMeanwhile(MEANWHILE)
            connection.execute(sa.insert(tables.agreed), [row])
            note(connection, now, kind, by, subject or name, detail)
    except IntegrityError:
        raise AgreedMeanwhile(MEANWHILE) from None
