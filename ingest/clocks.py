"""What a device's stamps say of its clock, learned over many messages. Pure.

Contract: docs/wire.md, "Times". A message is received after it was sent, never before: whatever
holds it up (a batch, a line that was down, a broker) can only make its stamp look older. So the
newest stamps of many messages say how far the digits of a clock are ahead of UTC, and zone, steps
and drift follow. A zone is put right only where no delay explains what is seen.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache

import msgspec

from fleet.calendar import DAY_S
from fleet.defaults import CLOCK_AHEAD_S
from fleet.model.device_clock import (
    COARSE_S,
    GIVEN_DIGITS,
    SITE_DIGITS,
    UTC_DIGITS,
    DeviceClock,
    Stamps,
)
from ingest.wire import Speaker
from ingest.wire.times import AS_GIVEN, StampRule

LOOKS_KEPT = 8
LOOK_AGAIN_S = 30
LOOK_AGAIN_RIGHT_S, LOOK_AGAIN_KNOWN_S = 600, 3600
"""Messages that come closer together are one look; a clock that is right is looked at so often, and
less once it is known.
Common practice, no source."""
RIGHT_S = (-90, 60)
"""Offsets that are the way of a message and a clock kept by the network. Common practice, no
source."""
FITS_S = 240
"""So near to a zone a clock fits it: zones are 15 min apart at the least. Definition."""
STILL_S = (-840, 600)
"""So far a clock may be off and is still read as before: less than a zone, and not ahead of what
is taken at all. Definition."""
AHEAD_LOOKS, BEHIND_LOOKS = 3, 6
"""No delay puts a stamp ahead, so few looks say it; one that is behind may be late. Common
practice, no source."""
BEHIND_AT_LEAST_S = 600
BEHIND_AGAIN_S = DAY_S
"""A clock that was right and is behind of a sudden is more likely a queue, until it has been so
for a day. Common practice, no source."""
ZONE_STEP_S = 900
SPAN_DAYS, SPANS_KEPT = 2, 16
DRIFT_SPANS = 4
STEP_S = 60
FAR_S = DAY_S
"""Stamps further from their receipt say nothing of a zone. Definition."""


def zone_of_digits(zone: str, stamps: Stamps, site: tzinfo) -> tzinfo:
    """The zone in which the digits of a device's stamps are read. zone: as DeviceClock has it."""
    if zone == GIVEN_DIGITS:
        return UTC if stamps == "zoned" else site
    if zone == UTC_DIGITS:
        return UTC
    if zone == SITE_DIGITS:
        return site
    return _fixed(zone)


def due(clock: DeviceClock, received_at: int, digits_s: int) -> bool:
    """Whether a message is worth a look. digits_s: of its newest stamp, taken as UTC [s]."""
    looks = clock.looks
    if not looks or clock.repeated_s is not None or clock.off_since is not None:
        return True
    right = RIGHT_S[0] <= digits_s - received_at <= RIGHT_S[1] and digits_s % COARSE_S
    return (
        received_at >= settled_until(clock) if right else received_at >= looks[-1][0] + LOOK_AGAIN_S
    )


def settled_until(clock: DeviceClock) -> int:
    """Until when a message of a clock that is right needs no look [s UTC]."""
    if not clock.looks or clock.repeated_s is not None or clock.off_since is not None:
        return 0
    known = len(clock.looks) == LOOKS_KEPT
    return clock.looks[-1][0] + (LOOK_AGAIN_KNOWN_S if known else LOOK_AGAIN_RIGHT_S)


def heard_by(clock: DeviceClock, speaker: Speaker) -> Speaker:
    """The speaker, its stamps read by what was learned where it speaks for the same set."""
    rule = AS_GIVEN
    if clock.is_read_otherwise and clock.unit == speaker.unit:
        zone = zone_of_digits(clock.zone, clock.stamps, speaker.zone) if clock.zone else None
        rule = StampRule(clock.stamps, zone, clock.coarse, clock.repeated_s)
    return speaker if rule is speaker.rule else msgspec.structs.replace(speaker, rule=rule)


def learn(
    clock: DeviceClock, newest: tuple[int, Stamps], received_at: int, speaker: Speaker
) -> DeviceClock:
    """What is known after one more message. newest: the digits of its newest stamp, taken as UTC
    [s], and how it is written; received_at [s UTC]."""
    digits, stamps = newest
    site, ahead = speaker.zone, digits - received_at
    if clock.repeated_s is not None and digits != clock.repeated_s:
        clock = msgspec.structs.replace(clock, repeated_s=None)
    if abs(ahead) > FAR_S:
        return clock
    if clock.stamps != stamps or clock.unit != speaker.unit:
        clock = DeviceClock(unit=speaker.unit, stamps=stamps)
    looks = _looked(clock.looks, received_at, ahead)
    if looks is None:
        return clock
    clock = msgspec.structs.replace(clock, looks=looks, messages=clock.messages + 1)
    return _measured(_zoned(clock, site), site)


def offset_of(clock: DeviceClock, site: tzinfo, ahead_s: int, at: int) -> int:
    """How far a clock is ahead of a receipt at `at` [s], its digits read as they are now."""
    zone = zone_of_digits(clock.zone, clock.stamps, site)
    return ahead_s - utc_offset_s(zone, at)


def utc_offset_s(zone: tzinfo, at: int) -> int:
    """Seconds that a zone's wall clock is ahead of UTC at a moment [s UTC]."""
    return 0 if zone is UTC else _offset(zone, at // ZONE_STEP_S)


@lru_cache(maxsize=4096)
def _offset(zone: tzinfo, quarter: int) -> int:
    told = datetime.fromtimestamp(quarter * ZONE_STEP_S, zone).utcoffset()
    return int(told.total_seconds()) if told is not None else 0


def _standard_s(zone: tzinfo, at: int) -> int:
    """The same without summer time."""
    moment = datetime.fromtimestamp(at, zone)
    summer = moment.dst() or timedelta()
    return utc_offset_s(zone, at) - int(summer.total_seconds())


@lru_cache(maxsize=256)
def _fixed(text: str) -> tzinfo:
    hours, minutes = text[1:].split(":")
    offset = timedelta(hours=int(hours), minutes=int(minutes))
    return timezone(-offset if text[0] == "-" else offset)


def _name_of(offset_s: int) -> str:
    sign = "-" if offset_s < 0 else "+"
    return f"{sign}{abs(offset_s) // 3600:02d}:{abs(offset_s) % 3600 // 60:02d}"


def _looked(
    looks: tuple[tuple[int, int], ...], received_at: int, ahead: int
) -> tuple[tuple[int, int], ...] | None:
    """The looks with one more. None: it says nothing new."""
    if not looks:
        return ((received_at, ahead),)
    last_at, last = looks[-1]
    if received_at < last_at or received_at + ahead == last_at + last:
        return None  # late, or the very same stamp again
    if received_at - last_at < LOOK_AGAIN_S:
        return (*looks[:-1], (last_at, ahead)) if ahead > last else None
    return (*looks, (received_at, ahead))[-LOOKS_KEPT:]


# ---- zone


def _zoned(clock: DeviceClock, site: tzinfo) -> DeviceClock:
    """The zone of the digits, changed where the evidence is plain."""
    at, ahead = clock.looks[-1]
    if STILL_S[0] <= offset_of(clock, site, ahead, at) <= STILL_S[1]:
        return msgspec.structs.replace(clock, off_since=None, fitted_at=at)
    since = clock.off_since if clock.off_since is not None else at
    clock = msgspec.structs.replace(clock, off_since=since)
    for zone in _candidates(clock, site):
        if zone != clock.zone and _fits(clock, zone, site, 1):
            if _is_plain(clock, zone, site):
                return msgspec.structs.replace(
                    clock, zone=zone, zone_since=at, off_since=None, fitted_at=at, spans=()
                )
            return clock
    return clock


def _candidates(clock: DeviceClock, site: tzinfo) -> list[str]:
    """Ways to read the digits, the most usual first: as given, UTC, the site's wall clock, the
    site's without summer time; and, of a clock that is ahead, any quarter of an hour."""
    at, ahead = clock.looks[-1]
    given = UTC_DIGITS if clock.stamps == "zoned" else SITE_DIGITS
    named = [GIVEN_DIGITS, *(name for name in (UTC_DIGITS, SITE_DIGITS) if name != given)]
    named.append(_name_of(_standard_s(site, at)))
    if offset_of(clock, site, ahead, at) > CLOCK_AHEAD_S:
        named.append(_name_of(round(ahead / ZONE_STEP_S) * ZONE_STEP_S))
    return named


def _fits(clock: DeviceClock, zone: str, site: tzinfo, looks: int) -> bool:
    """Whether the newest looks all fit a way to read the digits."""
    if len(clock.looks) < looks:
        return False
    read = zone_of_digits(zone, clock.stamps, site)
    return all(abs(ahead - utc_offset_s(read, at)) <= FITS_S for at, ahead in clock.looks[-looks:])


def _is_plain(clock: DeviceClock, zone: str, site: tzinfo) -> bool:
    """Whether no delay explains that the digits fit `zone` and not what was known."""
    at, ahead = clock.looks[-1]
    if not _fits(clock, zone, site, AHEAD_LOOKS):
        return False
    if offset_of(clock, site, ahead, at) > CLOCK_AHEAD_S:
        return True
    began, _ = clock.looks[0]
    if clock.fitted_at is not None and zone != GIVEN_DIGITS:
        unchanged = (
            began <= clock.fitted_at
            and max(a for _, a in clock.looks) - min(a for _, a in clock.looks) <= 2 * FITS_S
        )
        if unchanged:
            return True  # its digits went on as they did: the site's clocks were changed
        return (
            _fits(clock, zone, site, LOOKS_KEPT) and at - (clock.off_since or at) >= BEHIND_AGAIN_S
        )
    return _fits(clock, zone, site, BEHIND_LOOKS) and at - began >= BEHIND_AT_LEAST_S


# ---- offset, steps, drift


def _measured(clock: DeviceClock, site: tzinfo) -> DeviceClock:
    """Offset, steps and drift of a clock, its digits read as they are now."""
    read = zone_of_digits(clock.zone, clock.stamps, site)
    offsets = [ahead - utc_offset_s(read, at) for at, ahead in clock.looks]
    at = clock.looks[-1][0]
    offset = _second(offsets)
    spans, stepped_at, stepped_s = clock.spans, clock.stepped_at, clock.stepped_s
    before = spans[-1][2] if spans else None
    if before is not None and clock.off_since is None:
        by = _step(offsets, before)
        if by:
            spans, stepped_at, stepped_s = (), at, by
            offset = _second(offsets[-AHEAD_LOOKS:])
    ahead_now = offsets[-1]
    index = at // DAY_S // SPAN_DAYS
    drift = clock.drift_s_month if spans else None
    if clock.off_since is None:
        if spans and spans[-1][0] == index:
            _, first, second = spans[-1]
            if ahead_now > second:
                first, second = max(first, ahead_now), min(first, ahead_now)
                spans = (*spans[:-1], (index, first, second))
        elif not spans or index > spans[-1][0]:
            drift = _drift(spans)
            spans = (*spans, (index, ahead_now, ahead_now))[-SPANS_KEPT:]
    return msgspec.structs.replace(
        clock,
        offset_s=offset,
        grain_s=_grain(clock),
        spans=spans,
        drift_s_month=drift,
        stepped_at=stepped_at,
        stepped_s=stepped_s,
    )


def _second(offsets: list[int]) -> int:
    """The second largest, so that one stamp that is wrong by itself says nothing."""
    return sorted(offsets)[-2] if len(offsets) > 1 else offsets[-1]


def _step(offsets: list[int], before: int) -> int:
    """By how much a clock was set [s]; 0: it was not. Back only where that made it right: else a
    queue looks the same."""
    newest = offsets[-AHEAD_LOOKS:]
    if len(newest) < AHEAD_LOOKS or max(newest) - min(newest) > STEP_S:
        return 0
    by = _second(newest) - before
    back_to_right = by < -STEP_S and RIGHT_S[0] <= min(newest) and max(newest) <= RIGHT_S[1]
    return by if by > STEP_S or back_to_right else 0


def _grain(clock: DeviceClock) -> int:
    """The steps in which the stamps come [s]; 0: not known yet."""
    if len(clock.looks) < BEHIND_LOOKS:
        return clock.grain_s
    step = math.gcd(*(at + ahead for at, ahead in clock.looks))
    if step % 128 == 0 and step % 60 != 0:
        return step & -step
    spread = max(ahead for _, ahead in clock.looks) - min(ahead for _, ahead in clock.looks)
    if step % 60 == 0:
        return 60 if spread >= 15 else 0  # it may report on the minute
    return 1


def _drift(spans: tuple[tuple[int, int, int], ...]) -> float | None:
    """What a clock gains [s in 30 days]: the median of the slopes between its spans (P. K. Sen,
    J. Am. Stat. Assoc. 63, 1968, from memory). None: too few spans."""
    if len(spans) < DRIFT_SPANS:
        return None
    slopes = sorted(
        (b[2] - a[2]) / (b[0] - a[0]) for k, a in enumerate(spans) for b in spans[k + 1 :]
    )
    middle = len(slopes) // 2
    slope = slopes[middle] if len(slopes) % 2 else (slopes[middle - 1] + slopes[middle]) / 2
    return round(slope * 30 / SPAN_DAYS, 1)
