"""What is remembered of messages without a time: the second each got, and what is not known of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import sqlalchemy as sa

from fleet.model import Unsure
from fleet.registry.base import tables as t
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import insert, upsert

NO_SEATS: Mapping[str, int] = {}


def note_receipts(
    reg: Registry,
    receipts: Sequence[tuple[str, int]],
    seats: Mapping[str, int] = NO_SEATS,
    unsure: Sequence[Unsure] = (),
) -> None:
    """Remember messages without a time (key: what a redelivery is recognised by) with the moment
    they were received [s UTC]; the second each got, where that is another; and which of those
    seconds say nothing of when. Written before the store, so that whoever reads the store knows;
    writing it again changes nothing. Raises RegistryDown."""
    if not receipts and not unsure:
        return
    with reg.write() as connection:
        if receipts:
            write_receipts(connection, receipts, seats)
        if unsure:
            rows = [
                {"device": u.device, "at": u.at, "after_at": u.after_at, "before_at": u.before_at}
                for u in unsure
            ]
            connection.execute(upsert(connection.dialect.name, t.unsure), rows)


def find_receipts(reg: Registry, keys: Iterable[str], since: int) -> dict[str, int]:
    """The second given to the newest message of each key received since `since` [s UTC]; unknown
    keys are absent."""
    wanted = list(keys)
    if not wanted:
        return {}
    c = t.receipt.c
    query = sa.select(c.key, c.at, c.seat).where(c.key.in_(wanted), c.at >= since)
    with reg.read() as connection:
        return {
            row.key: row.at if row.seat is None else row.seat for row in connection.execute(query)
        }


def write_receipts(
    connection: sa.Connection,
    receipts: Sequence[tuple[str, int]],
    seats: Mapping[str, int] = NO_SEATS,
) -> None:
    """The same in the caller's transaction."""
    statement = insert(connection, t.receipt)
    newer = statement.excluded.at >= t.receipt.c.at
    kept = {
        name: sa.case((newer, statement.excluded[name]), else_=t.receipt.c[name])
        for name in ("seat", "at")
    }
    connection.execute(
        statement.on_conflict_do_update(index_elements=["key"], set_=kept),
        [{"key": key, "at": at, "seat": seats.get(key)} for key, at in receipts],
    )
