"""What a device means by a time: ISO 8601 or an epoch number, with or without a zone.

Contract: docs/wire.md, "Times". A moment is whole UTC seconds; parts of a second are cut off.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta, tzinfo

import msgspec

from fleet.defaults import CLOCK_AHEAD_S, CLOCK_EPOCH
from fleet.model import Clock
from fleet.model.device_clock import Stamps

MILLISECONDS_FROM = 10**11
"""1e11 s is the year 5138 and 1e11 ms is March 1973, before any device of ours: so the size tells;
likewise 1e14 and 1e17 between milliseconds, microseconds and nanoseconds. Arithmetic."""
_UNITS = ((10**17, 10**9, 37), (10**14, 10**6, 27), (MILLISECONDS_FROM, 10**3, 17))
"""From which size on a number is in which parts of a second, and the power of two in which such
numbers of today step once they went through 32 bits of floating point (IEEE 754: 24 bits).
Arithmetic."""
COARSE_MILLISECONDS = 1 << 17
"""The same of milliseconds. Arithmetic."""
NUMBER_AT_MOST = 10**20
TIME_TEXT_AT_MOST = 40
"""The size of a number, and characters of a time. A bound of ours."""
STEP_AT_MOST_S = 10
"""A time written in coarser steps is none. Common practice, no source."""

_EPOCH_TEXT = re.compile(r"[0-9]{9,19}(?:\.[0-9]{1,9})?")
_LEAP_SECOND = re.compile(r"(:[0-5][0-9]):60")
_EXPONENT = re.compile(r"[+-]?[0-9]+(?:\.([0-9]*))?[eE]([+-]?[0-9]{1,3})")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Exponent(float):
    """A number that was written with an exponent. step: the smallest step it was written in."""

    step: float

    @classmethod
    def read(cls, text: str) -> float:
        """The number of a JSON text, as Exponent where it has one."""
        found = _EXPONENT.fullmatch(text)
        if found is None:
            return float(text)
        made = cls(text)
        made.step = float(10.0 ** (int(found[2]) - len(found[1] or "")))
        return made


class StampRule(msgspec.Struct, frozen=True):
    """How a device's stamps are read, where that was learned of its clock.

    stamps, zone: those so written are read in that zone (None: as they are given). coarse: none is
    fine enough to be a time of a single message; repeated_s: digits of the one that came again.
    """

    stamps: Stamps = "zoned"
    zone: tzinfo | None = None
    coarse: bool = False
    repeated_s: int | None = None


AS_GIVEN = StampRule()


class Moment(msgspec.Struct, frozen=True):
    """A time as read. `at` None: no usable time, `fault` says why (empty when none was given).
    digits_s: what was written, taken as UTC, in whole seconds; None: it was no time."""

    at: int | None
    clock: Clock = "device"
    fault: str = ""
    forgiven: str = ""
    digits_s: int | None = None
    stamps: Stamps = "zoned"


class Stamp(msgspec.Struct, frozen=True):
    """A stamp taken apart: its digits as UTC [s], and whether a zone stood beside them. digits_s
    None: it is none, and why."""

    digits_s: int | None
    stamps: Stamps = "zoned"
    fault: str = ""
    forgiven: str = ""


NO_STAMP = Stamp(None)


def moment(
    raw: object,
    zone: tzinfo,
    received_at: int,
    rule: StampRule = AS_GIVEN,
    fold: int | None = None,
) -> Moment:
    """Read `at`: text, number or None.

    zone: the site's, for a text without one. received_at [s UTC] bounds it: before 2015 or more
    than 10 min after the receipt is a wrong clock and gives no time. rule: what was learned of the
    clock. fold: which is meant of an hour that comes twice (0 the first; None: not known).
    """
    return placed(stamp(raw), zone, received_at, rule, fold)


def stamp(raw: object) -> Stamp:
    """Take a stamp apart."""
    if raw is None:
        return NO_STAMP
    if isinstance(raw, bool):
        return Stamp(None, fault="the time is a truth value")
    if isinstance(raw, int | float):
        return _from_number(raw)
    if isinstance(raw, str):
        return _from_text(raw)
    return Stamp(None, fault="the time is neither text nor number")


def placed(
    told: Stamp, zone: tzinfo, received_at: int, rule: StampRule = AS_GIVEN, fold: int | None = None
) -> Moment:
    """The moment that a stamp means. Arguments as those of `moment`."""
    digits = told.digits_s
    if digits is None:
        return Moment(None, fault=told.fault)
    latest = received_at + CLOCK_AHEAD_S
    at = digits
    clock: Clock = "device" if told.stamps == "zoned" else "local"
    try:
        if rule.zone is not None and rule.stamps == told.stamps:
            learned = wall_time(digits, rule.zone, latest, fold)
            if CLOCK_EPOCH <= learned <= latest:
                return Moment(learned, "corrected", "", told.forgiven, digits, told.stamps)
        if told.stamps == "bare":
            at = wall_time(digits, zone, latest, fold)
            if at > latest and abs(digits - received_at) <= CLOCK_AHEAD_S:
                at, clock = digits, "corrected"  # not the site's wall clock; UTC is now
    except (ValueError, OverflowError):
        return Moment(None, fault="the time is out of range")
    fault = ""
    if at < CLOCK_EPOCH:
        fault = "the time is before 2015"
    elif at > latest:
        fault = "the time is more than 10 min ahead of its receipt"
    if fault:
        return Moment(None, fault=fault, digits_s=digits, stamps=told.stamps)
    return Moment(at, clock, "", told.forgiven, digits, told.stamps)


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


def wall_time(digits: int, zone: tzinfo, latest: int, fold: int | None = None) -> int:
    """UTC seconds of a wall clock's digits (seconds, taken as UTC) in a zone.

    In the hour that comes twice: as `fold` says, else the later one that is not after `latest`. A
    wall time that never was (clocks going forward) is read with the offset before the gap, as
    RFC 5545 3.3.5 has it; `fold=0` does that (PEP 495). Raises ValueError or OverflowError.
    """
    if zone is UTC:
        return digits
    first, second = both_times(digits, zone)
    if second <= first:
        return first
    if fold is None:
        return second if second <= latest else first
    return second if fold else first


def both_times(digits: int, zone: tzinfo) -> tuple[int, int]:
    """The UTC seconds of a wall clock's digits before and after a change of clocks [s]; where none
    is near both are the same. The second is later only in an hour that comes twice."""
    wall = (_EPOCH + timedelta(seconds=digits)).replace(tzinfo=zone)
    first = int(wall.timestamp())
    second = int(wall.replace(fold=1).timestamp())
    return first, second


def _from_number(raw: int | float) -> Stamp:
    if not math.isfinite(raw) if isinstance(raw, float) else abs(raw) > NUMBER_AT_MOST:
        return Stamp(None, fault="the time is not a usable number")
    if isinstance(raw, Exponent) and _step_s(raw) > STEP_AT_MOST_S:
        return Stamp(None, fault=_coarse(_step_s(raw)))
    for size, parts, bits in _UNITS:
        if abs(raw) >= size:
            if raw % (1 << bits) == 0:
                return Stamp(None, fault=_coarse((1 << bits) / parts))
            return Stamp(math.floor(raw / parts) if isinstance(raw, float) else raw // parts)
    return Stamp(math.floor(raw))


def _step_s(raw: Exponent) -> float:
    return raw.step / next((parts for size, parts, _ in _UNITS if abs(raw) >= size), 1)


def _coarse(step_s: float) -> str:
    return f"the time is too coarse to be one: it comes in steps of {step_s:,.0f} s"


def _from_text(raw: str) -> Stamp:
    text = raw.strip()
    if not text:
        return NO_STAMP
    if len(text) > TIME_TEXT_AT_MOST:
        return Stamp(None, fault="the time is too long to be one")
    number = _EPOCH_TEXT.fullmatch(text)
    if number or _EXPONENT.fullmatch(text):
        whole = number is not None and "." not in text
        told = _from_number(int(text) if whole else Exponent.read(text))
        return msgspec.structs.replace(told, forgiven="time_as_text")
    quick = plain_utc(text)
    if quick is not None:
        return Stamp(quick)
    try:
        read = datetime.fromisoformat(_LEAP_SECOND.sub(r"\1:59", text))
    except ValueError:
        return Stamp(None, fault="the time is not ISO 8601")
    try:
        if read.tzinfo is None:
            return Stamp(math.floor((read.replace(tzinfo=UTC) - _EPOCH).total_seconds()), "bare")
        return Stamp(math.floor(read.astimezone(UTC).replace(microsecond=0).timestamp()))
    except (ValueError, OverflowError):
        return Stamp(None, fault="the time is out of range")
