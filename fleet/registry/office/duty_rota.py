"""What the firm agreed: whose week it is, who is woken for what. Appended; the newest holds."""

from __future__ import annotations

import msgspec
import sqlalchemy as sa

from fleet.model import Contact, DeliveryMethod, QuietHours, Rota, Waking, WakingRow
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.office import quiet_hours
from fleet.registry.office.agreed import AgreedMeanwhile, append, newest
from fleet.registry.people.model import Actor
from fleet.registry.told.outbox import targets

__all__ = ["AgreedMeanwhile", "agree_rota", "agree_waking", "contacts", "rota", "waking"]
SOONEST: tuple[DeliveryMethod, ...] = ("push", "sms", "webhook", "email")
STAFF = ("technician", "office", "owner")


class StoredWaking(Waking, frozen=True, kw_only=True):
    """A waking table as it is stored. edition: which rows the table had when it was agreed; in the
    first, a failed start without mains sensing went by the row of healthy mains."""

    edition: int = 1


EDITION = 2
"""Of the waking table as it is written today. Definition."""


def rota(reg: Registry) -> tuple[Rota, int]:
    """(the rota, its number); an empty one, 0, before the first."""
    return newest(reg, "rota", Rota, Rota())


def waking(reg: Registry) -> tuple[Waking, int]:
    """(what the owner changed of the waking table, its number)."""
    held, n = newest(reg, "waking", StoredWaking, StoredWaking(edition=EDITION))
    return Waking(rows=held.rows if held.edition >= EDITION else _of_first_edition(held.rows)), n


def agree_rota(reg: Registry, agreed: Rota, n: int, by: Actor, now: int) -> None:
    """Put a rota in place of number n. Raises AgreedMeanwhile."""
    append(reg, "rota", documents.encode(agreed), n, by, now)


def agree_waking(reg: Registry, agreed: Waking, n: int, by: Actor, now: int) -> None:
    """Put a waking table in place of number n. Raises AgreedMeanwhile."""
    stored = StoredWaking(rows=agreed.rows, edition=EDITION)
    append(reg, "waking", documents.encode(stored), n, by, now)


def _of_first_edition(rows: tuple[WakingRow, ...]) -> tuple[WakingRow, ...]:
    """What the owner said of no cover with the mains healthy was said of these failed starts too."""
    apart = (
        msgspec.structs.replace(row, concern="start_failed", mains="not_sensed")
        for row in rows
        if (row.concern, row.mains) == ("no_cover", "on")
    )
    return (*rows, *apart)


def contacts(reg: Registry) -> tuple[Contact, ...]:
    """Everybody of the firm who may come in, how they are reached (`notices.targets`), the way that
    is heard soonest first, and their quiet hours."""
    c = tables.person.c
    query = sa.select(c.id, c.name, c.role).where(c.active.is_(True), c.role.in_(STAFF))
    query = query.where(c.customers.is_(None)).order_by(c.name, c.id)
    reached = {(one.person, one.way) for one in targets(reg)}
    quiet = quiet_hours.every(reg)
    with reg.read() as connection:
        return tuple(
            Contact(
                person=r.id,
                name=r.name,
                role=r.role,
                ways=tuple(w for w in SOONEST if (r.id, w) in reached),
                quiet=quiet.get(r.id, (QuietHours(), 0))[0],
            )
            for r in connection.execute(query)
        )
