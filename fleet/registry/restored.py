"""What a registry must forget and do again when it comes out of a backup.

It tells of a moment that is over: programs that ran then, people who were signed in then, messages
that waited then. And the readings beside it were copied a little later than it was.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.registry.base import documents, tables
from fleet.registry.derived.touches import touch_units
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor
from fleet.registry.told.outbox.outbox import GIVE_UP_S
from fleet.words import notice_sentences

BY = Actor("hourhand restore")


class Settled(msgspec.Struct, frozen=True):
    """units: sets to be worked out again; again: messages that are sent once more; given_up:
    messages too old for that; signed_out: sign-ins ended."""

    units: int
    again: int
    given_up: int
    signed_out: int


def settle(
    connection: sa.Connection, first_days: Mapping[str, int], made_at: int, now: int
) -> Settled:
    """Make a restored registry fit to be started, in the caller's transaction.

    first_days: device to the first UTC day of which the store has readings. made_at, now: UTC
    seconds, of the backup and of the restore.
    """
    connection.execute(sa.delete(tables.heartbeat))
    signed_out = connection.execute(sa.delete(tables.session)).rowcount
    connection.execute(sa.delete(tables.invitation))
    again, given_up = _messages(connection, made_at, now)
    units = _touch(connection, first_days, now)
    note(connection, now, "restored", BY, "", f"backup of {notice_sentences.utc(made_at)}")
    return Settled(units=units, again=again, given_up=given_up, signed_out=signed_out)


def _touch(connection: sa.Connection, first_days: Mapping[str, int], now: int) -> int:
    """Every set is worked out again from its first readings on: days the registry had not heard of
    when it was copied heal, and days whose readings are deleted by now stay as they are."""
    units: dict[str, int] = {}
    for row in connection.execute(sa.select(tables.fitting)):
        first = first_days.get(row.device)
        if first is not None:
            day = max(first, (row.from_at or 0) // DAY_S)
            units[row.unit] = min(day, units.get(row.unit, day))
    touch_units(connection, units, now)
    return len(units)


def _messages(connection: sa.Connection, made_at: int, now: int) -> tuple[int, int]:
    """Who was to be told is told, at the risk of being told twice; a day later nobody is any more."""
    c = tables.notice.c
    waiting = c.state.in_(("waiting", "claimed"))
    old = sa.and_(waiting, c.not_before < now - GIVE_UP_S)
    given_up = connection.execute(
        sa.update(tables.notice).where(old).values(state="failed", again_at=None)
    ).rowcount
    rows = connection.execute(sa.select(c.id, c.state, c.doc).where(waiting)).all()
    for row in rows:
        kept = documents.notice(row.doc)
        told = msgspec.structs.replace(
            kept, body=f"{kept.body}\n\n{notice_sentences.perhaps_again(made_at)}"
        )
        values = {"doc": documents.encode(told)} | (
            {"again_at": now} if row.state == "claimed" else {}
        )
        connection.execute(sa.update(tables.notice).where(c.id == row.id).values(values))
    return len(rows), given_up
