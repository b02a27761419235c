"""Seconds for messages without a time. Pure.

Contract: docs/wire.md, "Times". The store knows one value a device, channel and second, so every
message that says something else gets a second of its own, in the order of arrival and never later
than the present. What lay at the broker while nobody listened is known only to be younger than
the last contact: it is put right after that, one second each, and marked. What comes in a burst
is put before its receipt, and the newest at it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import msgspec

from fleet.model import Unsure
from ingest.wire.message import Decoded, Message

AHEAD_S = 60
"""Where nobody can wait (files) a burst may stand so far ahead of its receipt. A bound of ours."""
UNSURE_FROM_S = 60
"""A burst after so long a silence may be of any moment in it: but its newest, marked so.
Common practice, no source."""
NEVER_HEARD_S = 3_600
"""How far back the first message of a device that was never heard may stand. A bound of ours."""

WhenFull = Literal["wait", "ahead", "merge"]
"""What becomes of a message for which there is no second yet: handed in again, put a little
ahead of its receipt, or merged with others into the second of its receipt."""

Says = dict[str, object]


class Timeless(msgspec.Struct):
    """A message without a time. index: its place in the batch; known_at: the newest moment known
    of its device when it came [s UTC]."""

    index: int
    message: Message
    said: Decoded
    known_at: int | None = None


class Seat(msgspec.Struct, frozen=True):
    """The second a message got. unsure: what is known of its time, where that is not the second.
    crowded: no second of its own was to be had; of those in it the store keeps both ends."""

    at: int
    unsure: Unsure | None = None
    crowded: bool = False


class Before(msgspec.Struct, frozen=True):
    """What is known of a device before a batch, moments in s UTC.

    seat_at: the newest second given; heard_at: last contact; unsure_after: last contact that was
    certain, where what came since lay at the broker (0: it was never heard).
    taken: whether a second holds something else of what a message says.
    """

    device: str
    seat_at: int | None
    heard_at: int | None
    unsure_after: int | None
    taken: Callable[[int, Says], bool]


class _Row(msgspec.Struct):
    """Messages that go into one second together: none says another value of the same thing."""

    items: list[Timeless]
    says: Says
    received_at: int
    queued: bool


def seats(
    items: Sequence[Timeless], before: Before, now: int, when_full: WhenFull
) -> list[Seat | None]:
    """A seat for each message of one device, in order of arrival; None: hand it in again."""
    rows = _rows(items)
    found: list[Seat | None] = []
    waiting = False
    for row, at, unsure in zip(rows, *_spread(rows, before), strict=True):
        crowded = False
        if at > max(now, row.received_at) or waiting:
            waiting = when_full == "wait"
            crowded = not waiting and (when_full == "merge" or at > row.received_at + AHEAD_S)
        if crowded:
            at, unsure = row.received_at, None
        if unsure is not None:
            unsure = msgspec.structs.replace(unsure, at=at)
        found += [None if waiting else Seat(at, unsure, crowded)] * len(row.items)
    return found


def at_seat(said: Decoded, seat: Seat) -> Decoded:
    """What a message said, at the second it got. A report promised by one of unknown time is
    none."""
    at = seat.at
    replace = msgspec.structs.replace
    if {*(r.at for r in said.readings), *(e.at for e in said.events)} != {at}:
        said.readings = [replace(reading, at=at) for reading in said.readings]
        said.events = [replace(event, at=at) for event in said.events]
        said.sequence = [(at, number) for _, number in said.sequence]
    if seat.unsure is not None:
        said.next_report = None
    return said


def says(said: Decoded) -> Says:
    """What a message says, by name. Every event counts as another."""
    found: Says = dict(said.readings[0].values) if said.readings else {}
    for event in said.events:
        found[f"{event.event} {event.channel}"] = object()
    return found


def _rows(items: Sequence[Timeless]) -> list[_Row]:
    rows: list[_Row] = []
    for item in items:
        told, message = says(item.said), item.message
        last = rows[-1] if rows else None
        if (
            last is not None
            and (last.received_at, last.queued) == (message.received_at, message.queued)
            and all(last.says.get(name, value) == value for name, value in told.items())
        ):
            last.items.append(item)
            last.says |= told
        else:
            rows.append(_Row([item], told, message.received_at, message.queued))
    return rows


def _spread(rows: Sequence[_Row], before: Before) -> tuple[list[int], list[Unsure | None]]:
    """Rising seconds for the rows, as if the present were no bound, and what is unsure of them."""
    ats: list[int] = []
    marks: list[Unsure | None] = []
    last = -1 if before.seat_at is None else before.seat_at
    start = 0
    while start < len(rows):
        end = start + 1
        while end < len(rows) and rows[end].queued == rows[start].queued:
            end += 1
        run = rows[start:end]
        wished = [_after(row, before) + 1 for row in run] if run[0].queued else _live(run, before)
        for k, (row, wish) in enumerate(zip(run, wished, strict=True)):
            shared = not ats and not row.queued and row.received_at == last
            if not shared or before.taken(last, row.says):
                last = max(wish, last + 1)
                while before.taken(last, row.says):
                    last += 1
            ats.append(last)
            marks.append(_mark(row, before, k + 1 < len(run)))
        start = end
    return ats, marks


def _live(run: Sequence[_Row], before: Before) -> list[int]:
    """The newest at its receipt, the others in the seconds before it, after the last contact."""
    heard, at = before.heard_at, 2**62
    wished: list[int] = []
    for row in reversed(run):
        at = min(row.received_at, at - 1)
        wished.append(at)
    first = run[0].received_at
    least = -1 if heard is None else min(heard, first - 1) + 1
    return [max(at, least) for at in reversed(wished)]


def _after(row: _Row, before: Before) -> int:
    """The last moment at which a message that lay at the broker was not yet sent."""
    known = row.items[0].known_at
    after = max(before.unsure_after or 0, known if known and known <= row.received_at else 0)
    return after or row.received_at - NEVER_HEARD_S


def _mark(row: _Row, before: Before, followed: bool) -> Unsure | None:
    """What is known of a row's time, where it is not the second it stands at."""
    if row.queued:
        known = _after(row, before) if before.unsure_after or row.items[0].known_at else None
        return Unsure(before.device, 0, known, row.received_at)
    heard = before.heard_at
    if followed and (heard is None or row.received_at - heard > UNSURE_FROM_S):
        return Unsure(before.device, 0, heard, row.received_at)
    return None
