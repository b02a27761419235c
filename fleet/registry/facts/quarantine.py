"""Messages set aside: kept with their reason, within limits."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from hashlib import sha256
from typing import Any

import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.model import Quarantined
from fleet.registry.base import tables as t
from fleet.registry.base.statements import insert

QUARANTINE_A_DAY = 1_000
QUARANTINE_BYTES = 16 * 1024
QUARANTINE_KEPT_S = 90 * DAY_S
"""Limits of docs/engineering/ingest.md#limits. A bound of ours."""
_TEXT_AT_MOST = 1_000


def write_quarantine(connection: sa.Connection, items: Sequence[Quarantined]) -> None:
    """Keep what is new of these, at most 1,000 a device and day; the rest is counted.

    One message set aside twice for one reason is one row: device, topic, receipt, payload, reason.
    """
    rows = {row["digest"]: row for row in map(_quarantine_row, items)}
    present = sa.select(t.quarantine.c.digest).where(t.quarantine.c.digest.in_(list(rows)))
    for digest in connection.execute(present).scalars().all():
        del rows[digest]
    if not rows:
        return
    kept = _kept_so_far(connection, {row["device"] for row in rows.values()})
    new: dict[tuple[str, int], list[int]] = defaultdict(lambda: [0, 0])
    insertable = []
    for row in rows.values():
        key = (row["device"], row["day"])
        over = kept.get(key, 0) + new[key][0] >= QUARANTINE_A_DAY
        new[key][over] += 1
        if not over:
            insertable.append(row)
    if insertable:
        connection.execute(insert(connection, t.quarantine).on_conflict_do_nothing(), insertable)
    statement = insert(connection, t.quarantine_count)
    added = {n: t.quarantine_count.c[n] + statement.excluded[n] for n in ("kept", "over")}
    connection.execute(
        statement.on_conflict_do_update(index_elements=["device", "day"], set_=added),
        [{"device": d, "day": day, "kept": k, "over": o} for (d, day), (k, o) in new.items()],
    )


def _quarantine_row(item: Quarantined) -> dict[str, Any]:
    device, topic, reason = plain(item.device), plain(item.topic), plain(item.reason)
    digest = sha256(item.payload)
    digest.update(f"\n{device}\n{topic}\n{item.received_at}\n{reason}".encode())
    return {
        "digest": digest.hexdigest(),
        "device": device,
        "day": item.received_at // DAY_S,
        "received_at": item.received_at,
        "topic": topic,
        "reason": reason,
        "ours": item.ours,
        "size": len(item.payload),
        "payload": item.payload[:QUARANTINE_BYTES],
    }


def _kept_so_far(connection: sa.Connection, devices: set[str]) -> dict[tuple[str, int], int]:
    c = t.quarantine_count.c
    query = sa.select(c.device, c.day, c.kept).where(c.device.in_(sorted(devices)))
    return {(row.device, row.day): row.kept for row in connection.execute(query)}


def tidy_quarantine(connection: sa.Connection, now: int) -> None:
    """Throw away what is older than 90 days."""
    old = now - QUARANTINE_KEPT_S
    connection.execute(sa.delete(t.quarantine).where(t.quarantine.c.received_at < old))
    connection.execute(sa.delete(t.quarantine_count).where(t.quarantine_count.c.day < old // DAY_S))


def plain(text: str, at_most: int = _TEXT_AT_MOST) -> str:
    """Text any database can keep: no NUL, no lone surrogates, cut at `at_most` characters."""
    return text[:at_most].encode("utf-8", "replace").decode("utf-8").replace("\x00", "\ufffd")
