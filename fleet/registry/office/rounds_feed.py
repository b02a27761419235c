"""Calendars of technicians: secret addresses, and what each visit was last told as (RFC 5545)."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model.book import FeedEvent
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor
from fleet.registry.people.secrets import digest_of, new_id, new_secret

CANCELLED_KEPT_S = 30 * 86_400
"""A cancelled visit stays in the feed so long, so that every calendar hears of it. Common
practice, no source."""


class ToldEvent(msgspec.Struct, frozen=True, kw_only=True):
    """An event with the number and time of its newest change."""

    event: FeedEvent
    sequence: int
    changed_at: int
    cancelled: bool


class Feed(msgspec.Struct, frozen=True, kw_only=True):
    """A secret address of a technician's calendar; the secret itself is not known."""

    id: str
    technician: str
    made_at: int
    made_by: str
    revoked_at: int | None = None


_event = documents.decoder(FeedEvent)


def tell_feeds(connection: sa.Connection, events: Iterable[FeedEvent], now: int) -> None:
    """Take the visits of a newly published plan: changed ones rise in sequence, those that are
    gone and not over are cancelled."""
    c = tables.feed_event.c
    kept = {row.uid: row for row in connection.execute(sa.select(tables.feed_event))}
    fresh = {event.uid: event for event in events}
    for uid, event in fresh.items():
        doc = documents.encode(event)
        digest, row = hashlib.sha256(doc).hexdigest(), kept.get(uid)
        if row is not None and row.digest == digest and not row.cancelled:
            continue
        values: dict[str, Any] = {
            "technician": event.technician,
            "digest": digest,
            "changed_at": now,
            "cancelled": False,
            "doc": doc,
            "sequence": 0 if row is None else row.sequence + 1,
        }
        if row is None:
            connection.execute(sa.insert(tables.feed_event).values(uid=uid, **values))
        else:
            connection.execute(sa.update(tables.feed_event).where(c.uid == uid).values(**values))
    for uid, row in kept.items():
        if uid in fresh:
            continue
        if row.cancelled and row.changed_at < now - CANCELLED_KEPT_S:
            connection.execute(sa.delete(tables.feed_event).where(c.uid == uid))
        elif not row.cancelled and _event(row.doc).end > now:
            connection.execute(
                sa.update(tables.feed_event)
                .where(c.uid == uid)
                .values(cancelled=True, sequence=row.sequence + 1, changed_at=now)
            )


def told_events(reg: Registry, technician: str) -> list[ToldEvent]:
    """What a technician's calendar shows, in time order."""
    query = sa.select(tables.feed_event).where(tables.feed_event.c.technician == technician)
    with reg.read() as connection:
        rows = connection.execute(query).all()
    found = [
        ToldEvent(
            event=_event(row.doc),
            sequence=row.sequence,
            changed_at=row.changed_at,
            cancelled=row.cancelled,
        )
        for row in rows
    ]
    return sorted(found, key=lambda told: (told.event.start, told.event.uid))


def make_feed(reg: Registry, technician: str, by: Actor, now: int) -> tuple[Feed, str]:
    """A new secret address; the secret is shown now and never again."""
    secret = new_secret()
    made = Feed(id=new_id(), technician=technician, made_at=now, made_by=by.name)
    with reg.write() as connection:
        connection.execute(
            sa.insert(tables.feed).values(
                id=made.id,
                technician=technician,
                digest=digest_of(secret),
                made_at=now,
                made_by=by.name[:200],
            )
        )
        note(connection, now, "feed_made", by, technician)
    return made, secret


def feed_of(reg: Registry, secret: str) -> str | None:
    """The technician whose calendar this secret opens; None: unknown or revoked."""
    c = tables.feed.c
    query = sa.select(c.technician).where(c.digest == digest_of(secret), c.revoked_at.is_(None))
    with reg.read() as connection:
        return connection.execute(query).scalar()


def feeds(reg: Registry, technician: str) -> list[Feed]:
    """A technician's addresses that still hold, newest first."""
    c = tables.feed.c
    query = (
        sa.select(tables.feed)
        .where(c.technician == technician, c.revoked_at.is_(None))
        .order_by(c.made_at.desc(), c.id)
    )
    with reg.read() as connection:
        rows = connection.execute(query).all()
    return [
        Feed(id=r.id, technician=r.technician, made_at=r.made_at, made_by=r.made_by) for r in rows
    ]


def revoke_feeds(reg: Registry, technician: str, by: Actor, now: int) -> int:
    """Every address of a technician's calendar stops working. Returns how many did."""
    c = tables.feed.c
    with reg.write() as connection:
        done = connection.execute(
            sa.update(tables.feed)
            .where(c.technician == technician, c.revoked_at.is_(None))
            .values(revoked_at=now)
        ).rowcount
        if done:
            note(connection, now, "feed_revoked", by, technician, f"{done}")
    return int(done)
