"""The common shape read fast: readings with a time, numbers under known names, nothing to forgive.

Whatever is not exactly that answers None and takes the careful way; both must say the same
(tests/ingest/test_wire.py holds them to it).
"""

from __future__ import annotations

from typing import Annotated

import msgspec

from fleet.channels import GLOSSARY
from fleet.defaults import CLOCK_AHEAD_S, CLOCK_EPOCH
from fleet.model import Reading
from ingest.wire.arrays import told_apart
from ingest.wire.message import ENTRIES_AT_MOST, Address, Decoded, Message
from ingest.wire.times import COARSE_MILLISECONDS, MILLISECONDS_FROM, plain_utc

_RANGES = {channel.name: channel.possible for channel in GLOSSARY}
SEQ_AT_MOST = 2**53
NEXT_AT_MOST_S = 31 * 86_400
"""Whole numbers that every JSON reader keeps exactly (RFC 8259), and the longest wait a device may
name. A bound of a format."""


class _Plain(msgspec.Struct, frozen=True, forbid_unknown_fields=True, gc=False):
    at: str | int
    values: dict[str, float]
    seq: Annotated[int, msgspec.Meta(ge=0, le=SEQ_AT_MOST)] | None = None
    next_s: Annotated[int, msgspec.Meta(ge=1, le=NEXT_AT_MOST_S)] | None = None


_ONE = msgspec.json.Decoder(_Plain)
_MANY = msgspec.json.Decoder(list[_Plain])


def quick(message: Message, place: Address) -> Decoded | None:
    """Readings of the common shape, or None."""
    if message.payload[:1] == b"[":
        return _many(message, place)
    plain = _plain(message.payload)
    if plain is None:
        return None
    reading = _reading(plain, place.device, message.received_at)
    if reading is None:
        return None
    return Decoded(
        device=place.device,
        group=place.group,
        kind="readings",
        readings=(reading,) if reading.values else (),
        sequence=((reading.at, plain.seq),) if plain.seq is not None else (),
        next_report=(reading.at, plain.next_s) if plain.next_s else None,
        clock_right=True,
        newest=(reading.at, "zoned"),
    )


def _many(message: Message, place: Address) -> Decoded | None:
    try:
        plains = _MANY.decode(message.payload)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None
    if not plains or len(plains) > ENTRIES_AT_MOST:
        return None
    if sum(map(_quotes, plains)) != message.payload.count(b'"'):
        return None
    device, received_at = place.device, message.received_at
    readings: list[Reading] = []
    sequence: list[tuple[int, int]] = []
    next_report: tuple[int, int] | None = None
    newest = 0
    for plain in plains:
        reading = _reading(plain, device, received_at)
        if reading is None:
            return None
        newest = max(newest, reading.at)
        if reading.values:
            readings.append(reading)
        if plain.seq is not None:
            sequence.append((reading.at, plain.seq))
        if plain.next_s and (next_report is None or reading.at >= next_report[0]):
            next_report = (reading.at, plain.next_s)
    if len({reading.at for reading in readings}) < len(readings) and told_apart(readings, False)[1]:
        return None
    return Decoded(
        device=device,
        single=False,
        group=place.group,
        kind="readings",
        readings=readings,
        sequence=sequence,
        next_report=next_report,
        clock_right=True,
        newest=(newest, "zoned"),
    )


def _plain(payload: bytes) -> _Plain | None:
    try:
        plain = _ONE.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return None
    return plain if _quotes(plain) == payload.count(b'"') else None


def _quotes(plain: _Plain) -> int:
    """Quotation marks such an entry is written with. More: a name twice, a null, an escape."""
    names = 2 + len(plain.values) + (plain.seq is not None) + (plain.next_s is not None)
    return 2 * (names + (type(plain.at) is str))


def _reading(plain: _Plain, device: str, received_at: int) -> Reading | None:
    told = plain.at
    if type(told) is str:
        at = plain_utc(told)
        if at is None:
            return None
    else:
        assert isinstance(told, int)
        if told >= MILLISECONDS_FROM and told % COARSE_MILLISECONDS == 0:
            return None
        at = told // 1000 if told >= MILLISECONDS_FROM else told
    if not CLOCK_EPOCH <= at <= received_at + CLOCK_AHEAD_S:
        return None
    ranges = _RANGES
    for name, value in plain.values.items():
        possible = ranges.get(name)
        if possible is None or not possible[0] <= value <= possible[1]:
            return None
    return Reading(device, at, plain.values)
