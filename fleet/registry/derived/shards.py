"""Units in 64 fixed shards, each with the mark of its stored days and a fencing number.

A shard is what one writer of days holds at a time. Whoever takes it raises its fencing number, and
a turn is written only with the number that is in force (the fencing token of distributed locks): a
writer that was suspended, cut off or replaced finds a higher one and writes nothing. The mark is new
after every turn that wrote days of the shard, so that what was made of other days (of an older copy
put back, say) is refused as well. Writers of different shards never meet.
"""

from __future__ import annotations

from collections.abc import Iterable
from zlib import crc32

import msgspec
import sqlalchemy as sa

from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import insert, new_token

SHARDS = 64
"""Fixed: a unit's shard is never stored, so another number would part a unit from its mark.
Definition."""
ALL = range(SHARDS)


class Shard(msgspec.Struct, frozen=True):
    """How a shard stands. fence: raised by whoever takes it; mark: another after every turn that
    wrote days of its units."""

    fence: int
    mark: int


Hold = dict[int, Shard]
"""The shards a writer holds, as it took or wrote them last. One that is not there, or stands
otherwise in the registry, is not its own any more."""


def shard_of(unit: str) -> int:
    """The shard of a unit: CRC-32 (as of ISO 3309 and zlib) of its id in UTF-8, modulo 64.

    The same on every machine, version and start; not Python's hash, which is none of these.
    """
    return crc32(unit.encode()) % SHARDS


def standing(reg: Registry, numbers: Iterable[int] = ALL) -> Hold:
    """How these shards stand now; one that nobody took yet is left out. Raises RegistryDown."""
    with reg.read() as connection:
        return standing_in(connection, numbers)


def take_shards(reg: Registry, numbers: Iterable[int] = ALL) -> Hold:
    """Take these shards: who held them before writes nothing any more. Raises RegistryDown.

    Only for who may work on them by another arrangement (the lead of the registry); what it knew of
    their days before is to be read again.
    """
    asked = sorted(set(numbers))
    if not asked:
        return {}
    with reg.write() as connection:
        first = insert(connection, tables.shard)
        raised = first.on_conflict_do_update(
            index_elements=["n"], set_={"fence": tables.shard.c.fence + 1}
        )
        rows = [{"n": n, "fence": 1, "mark": new_token()} for n in asked]
        connection.execute(raised, rows)
        return standing_in(connection, asked)


def standing_in(connection: sa.Connection, numbers: Iterable[int], *, lock: bool = False) -> Hold:
    """The same as `standing` in the caller's transaction. lock: nobody else changes them until it
    ends; always in rising order, so that two writers never wait for each other."""
    c = tables.shard.c
    query = sa.select(c.n, c.fence, c.mark).where(c.n.in_(sorted(set(numbers)))).order_by(c.n)
    rows = connection.execute(query.with_for_update() if lock else query)
    return {row.n: Shard(row.fence, row.mark) for row in rows}


def mark_anew(connection: sa.Connection, held: Hold) -> Hold:
    """Give these shards another mark, in the transaction that wrote days of their units."""
    made = {n: Shard(shard.fence, new_token()) for n, shard in held.items()}
    c = tables.shard.c
    statement = (
        sa.update(tables.shard)
        .where(c.n == sa.bindparam("b_n"))
        .values(mark=sa.bindparam("b_mark"))
    )
    connection.execute(statement, [{"b_n": n, "b_mark": made[n].mark} for n in sorted(made)])
    return made
