"""Whether one device speaks under an id, or two. Pure.

Two boards with one configuration give each its own message numbers and engine hours. Either goes on
from its own: a count that was left and is taken up again, to and fro, is no restart and no new meter.
"""

from __future__ import annotations

import msgspec

from fleet.model import Counts, Reading, Speakers
from ingest.wire.message import Decoded

HOURS = "run_hours_h"
NUMBERS_AT_MOST = 16
"""Numbers that a device may have passed over where it goes on from its own. Common practice, no
source."""
HOURS_APART_H = 1.0
"""Engine hours of one device agree within the time between them and this much. Common practice, no
source."""
RETURNS = 4
"""So many messages must have gone on from the count that was left: each of two was then heard three
times. Common practice, no source."""
FORGOTTEN_S = 86_400
"""A return is forgotten after a day, and no pair is told for longer after its last. Common practice,
no source."""
BELIEVED_AFTER_S = 7_200
BELIEVED_AFTER_APART = 3
"""One of two is believed again when the other was not heard for 2 h, and for three times the longest
that it was away before. Common practice, no source."""
NO_METER_H = frozenset(
    edge / scale
    for edge in (32_767, 65_535, 2**31 - 1, 2**32 - 1)
    for scale in (1, 10, 60, 100, 3_600)
)
"""What a gateway writes that does not reach the meter: all bits set, in the usual steps of hours.
Arithmetic."""


def heard_from(known: Speakers | None, said: Decoded, received_at: int) -> Speakers | None:
    """What is known after a live message. received_at [s UTC]."""
    first, last = _counts(said)
    if known is None:
        return None if first is None else Speakers(last)
    since = known.since
    quiet_s = received_at - known.returned_at
    patience_s = max(BELIEVED_AFTER_S, BELIEVED_AFTER_APART * known.apart_s)
    if since is not None and quiet_s >= min(patience_s, FORGOTTEN_S):
        known = Speakers(known.newest)
    if first is None:
        return known
    newest, other = known.newest, known.other
    goes_on = _goes_on(newest, first)
    if other is not None and _goes_on(other, first):
        if not goes_on:
            return _returned(known, other, last, received_at)
        if not _nearer(newest, other, first):  # of either: the numbers of two lie close
            return msgspec.structs.replace(known, newest=_joined(other, last), other=newest)
    if not goes_on and _contradicts(newest, first):
        if since is None:
            return Speakers(last, newest)
        return msgspec.structs.replace(known, newest=last, other=newest)
    if first.at < newest.at:
        return known  # kept back, and sent late
    return msgspec.structs.replace(known, newest=_joined(newest, last))


def _returned(known: Speakers, other: Counts, last: Counts, received_at: int) -> Speakers:
    """The count that was left is taken up again, by a message that cannot go on from the newest."""
    passed_s = received_at - known.returned_at
    again = bool(known.returns) and passed_s < FORGOTTEN_S
    count = known.returns + 1 if again else 1
    begun = received_at if known.since is None and count >= RETURNS else known.since
    return Speakers(
        newest=_joined(other, last),
        other=known.newest,
        returns=count,
        returned_at=received_at,
        apart_s=max(known.apart_s, passed_s) if again else 0,
        since=begun,
    )


def _counts(said: Decoded) -> tuple[Counts | None, Counts]:
    """What its oldest and its newest entry count; (None, nothing) where they count nothing."""
    readings, numbers = said.readings, said.sequence
    if not readings:
        return None, Counts(0)
    if len(readings) == 1:
        found = _of(readings[0], numbers[0][1] if numbers else None)
        return (None if found.seq is None and found.hours_h is None else found), found
    numbered = dict(numbers)
    oldest, newest = min(readings, key=_at), max(readings, key=_at)
    first, last = _of(oldest, numbered.get(oldest.at)), _of(newest, numbered.get(newest.at))
    return (None if first.seq is None and first.hours_h is None else first), last


def _at(reading: Reading) -> int:
    return reading.at


def _of(reading: Reading, seq: int | None) -> Counts:
    hours = reading.values.get(HOURS)
    if hours is not None and (hours <= 0 or hours in NO_METER_H):
        hours = None
    return Counts(reading.at, seq, hours)


def _goes_on(before: Counts, now: Counts) -> bool:
    """Whether a device that said the one may have said the other next."""
    agree = _hours_agree(before, now)
    if agree is False or before.seq is None or now.seq is None:
        return agree is True
    return now.at > before.at and 0 < now.seq - before.seq <= NUMBERS_AT_MOST


def _hours_agree(before: Counts, now: Counts) -> bool | None:
    """None: one of them has no hours."""
    if before.hours_h is None or now.hours_h is None:
        return None
    passed_h = (now.at - before.at) / 3_600
    gained_h = now.hours_h - before.hours_h
    return min(0.0, passed_h) - HOURS_APART_H <= gained_h <= max(0.0, passed_h) + HOURS_APART_H


def _contradicts(before: Counts, now: Counts) -> bool:
    """Whether no device that goes on counting says the one after the other."""
    if _hours_agree(before, now) is False:
        return True
    if before.seq is None or now.seq is None:
        return False
    skipped = now.seq - before.seq
    return now.at > before.at and not 0 <= skipped <= NUMBERS_AT_MOST


def _nearer(newest: Counts, other: Counts, now: Counts) -> bool:
    """Whether it goes on from the newest at least as closely as from the other; both may be."""
    if newest.seq is None or other.seq is None or now.seq is None:
        return True
    return now.seq - newest.seq <= now.seq - other.seq


def _joined(before: Counts, now: Counts) -> Counts:
    """The newest of each count."""
    seq = before.seq if now.seq is None else now.seq
    hours = before.hours_h if now.hours_h is None else now.hours_h
    return Counts(now.at, seq, hours)
