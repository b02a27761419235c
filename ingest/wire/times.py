"""What a device means by a time: ISO 8601, epoch seconds or milliseconds, with or without a zone.

Contract: docs/wire.md, "Times". A moment is whole UTC seconds; parts of a second are cut off.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, tzinfo

import msgspec

from fleet.defaults import CLOCK_AHEAD_S, CLOCK_EPOCH
from fleet.model import Clock

# 1e11 s is the year 5138 and 1e11 ms is March 1973, before any device of ours: so the size tells.
MILLISECONDS_FROM = 10**11
TIME_TEXT_AT_MOST = 40
"""A number from here on is milliseconds: as seconds it lies in the year 5138; and characters of a
time. A bound of ours."""

_EPOCH_TEXT = re.compile(r"[0-9]{9,14}(?:\.[0-9]{1,9})?")
_LEAP_SECOND = re.compile(r"(:[0-5][0-9]):60")


class Moment(msgspec.Struct, frozen=True):
    """A time as read. `at` None: no usable time, `fault` says why (empty when none was given)."""

    at: int | None
    clock: Clock = "device"
    fault: str = ""
    forgiven: str = ""


def moment(raw: object, zone: tzinfo, received_at: int) -> Moment:
    """Read `at`: text, number or None.

    zone: the site's, for a text without one. received_at [s UTC] bounds it: before 2015 or more
    than 10 min after the receipt is a wrong clock and gives no time.
    """
    if raw is None:
        return Moment(None)
    if isinstance(raw, bool):
        return Moment(None, fault="the time is a truth value")
    if isinstance(raw, int | float):
        return _bounded(_from_number(raw), received_at)
    if isinstance(raw, str):
        return _bounded(_from_text(raw, zone, received_at), received_at)
    return Moment(None, fault="the time is neither text nor number")


def plain_utc(text: str) -> int | None:
    """Seconds of exactly `YYYY-MM-DDTHH:MM:SSZ`, else None. The common shape, read fast."""
    if len(text) != 20 or text[19] != "Z" or text[10] != "T" or text[4] != "-" or text[7] != "-":
        return None
    if text[13] != ":" or text[16] != ":" or not text.isascii():
        return None
    try:
        return int(datetime.fromisoformat(text).timestamp())
    except ValueError:
        return None


def _bounded(told: Moment, received_at: int) -> Moment:
    if told.at is None:
        return told
    if told.at < CLOCK_EPOCH:
        return Moment(None, fault="the time is before 2015")
    if told.at > received_at + CLOCK_AHEAD_S:
        return Moment(None, fault="the time is more than 10 min ahead of its receipt")
    return told


def _from_number(raw: int | float) -> Moment:
    if not math.isfinite(raw) if isinstance(raw, float) else abs(raw) > 10**18:
        return Moment(None, fault="the time is not a usable number")
    seconds = raw / 1000 if abs(raw) >= MILLISECONDS_FROM else raw
    return Moment(math.floor(seconds))


def _from_text(raw: str, zone: tzinfo, received_at: int) -> Moment:
    text = raw.strip()
    if not text:
        return Moment(None)
    if len(text) > TIME_TEXT_AT_MOST:
        return Moment(None, fault="the time is too long to be one")
    if _EPOCH_TEXT.fullmatch(text):
        told = _from_number(float(text) if "." in text else int(text))
        return Moment(told.at, told.clock, told.fault, "time_as_text")
    quick = plain_utc(text)
    if quick is not None:
        return Moment(quick)
    try:
        read = datetime.fromisoformat(_LEAP_SECOND.sub(r"\1:59", text))
    except ValueError:
        return Moment(None, fault="the time is not ISO 8601")
    try:
        if read.tzinfo is None:
            return Moment(_local(read, zone, received_at), "local")
        return Moment(_whole(read))
    except (ValueError, OverflowError):
        return Moment(None, fault="the time is out of range")


def _local(read: datetime, zone: tzinfo, received_at: int) -> int:
    """A time without zone. In the hour that comes twice: the later one that is not in the future.

    A wall time that never was (clocks going forward) is read with the offset before the gap, as
    RFC 5545 3.3.5 has it; `fold=0` does that (PEP 495).
    """
    first = _whole(read.replace(tzinfo=zone, fold=0))
    second = _whole(read.replace(tzinfo=zone, fold=1))
    if second > first and second <= received_at + CLOCK_AHEAD_S:
        return second
    return first


def _whole(read: datetime) -> int:
    return math.floor(read.astimezone(UTC).replace(microsecond=0).timestamp())
