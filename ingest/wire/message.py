"""What goes into and comes out of reading the wire."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo
from functools import lru_cache
from typing import Literal

import msgspec

from fleet.model import ID, DeviceEvent, Quarantined, Reading, Status
from fleet.model.device_clock import Stamps
from ingest.profiles import NO_PROFILE, Profile
from ingest.wire.times import AS_GIVEN, StampRule

PAYLOAD_AT_MOST = 256 * 1024
ENTRIES_AT_MOST = 10_000
"""Bytes and entries of one message, as docs/wire.md promises. A bound of ours."""
UNKNOWN_AT_MOST = 64
"""Unknown names kept of one entry. A bound of ours."""

FROM_FILES = 1 << 32
"""Numbers of messages that came from files and not over the air, from here on. Definition."""

Kind = Literal["readings", "event", "status"]
KINDS: tuple[Kind, ...] = ("readings", "event", "status")


class Message(msgspec.Struct, frozen=True, gc=False):
    """One MQTT message, or one line of the inbox. received_at: seconds UTC; at_most: bytes.

    number: what tells it from another of the same text, and is the same when it is delivered
    again: the packet identifier, or the place in its file. queued: it lay at the broker while
    nobody listened, so that its receipt says nothing of when it was sent.
    """

    topic: str
    payload: bytes
    received_at: int
    qos: int = 1
    retain: bool = False
    dup: bool = False
    at_most: int = PAYLOAD_AT_MOST
    number: int = 0
    queued: bool = False


class Address(msgspec.Struct, frozen=True, gc=False):
    """A topic taken apart. `fault` says what is wrong with it; then the rest is not to be used."""

    group: str = ""
    device: str = ""
    kind: Kind = "readings"
    fault: str = ""


class Speaker(msgspec.Struct, frozen=True):
    """What must be known of a device to understand it: the zone of its site, its profile, the unit
    it speaks for, and what was learned of its clock."""

    zone: tzinfo = UTC
    profile: Profile = NO_PROFILE
    unit: str = ""
    rule: StampRule = AS_GIVEN


class Decoded(msgspec.Struct, kw_only=True):
    """What one message said.

    readings and events to be kept; seeds: values of a retained message, which may fill in an
    unknown last state and nothing else. rejects: what was refused, with reasons.
    forgiven: spelling to how often; unknown: name to an example; unknown_only: beside
    those no name of the table stood in any entry of the readings.
    sequence: (at, seq) pairs; next_report: (at, next_s) of the newest entry that says so.
    clock_wrong, clock_right, clock_absent: a time was unusable, was good, was not given.
    timeless_key: set when a receipt time was given out that a redelivery must find again.
    newest: digits of the newest stamp, taken as UTC [s], and how it was written; None: those of
    the newest reading, with a zone. single: one object, no array.
    """

    device: str
    group: str
    kind: Kind
    readings: Sequence[Reading] = ()
    events: Sequence[DeviceEvent] = ()
    status: Status | None = None
    seeds: Sequence[Reading] = ()
    rejects: Sequence[Quarantined] = ()
    forgiven: dict[str, int] = {}
    unknown: dict[str, str] = {}
    unknown_only: bool = False
    sequence: Sequence[tuple[int, int]] = ()
    next_report: tuple[int, int] | None = None
    clock_wrong: bool = False
    clock_right: bool = False
    clock_absent: bool = False
    timeless_key: str = ""
    newest: tuple[int, Stamps] | None = None
    single: bool = True


@lru_cache(maxsize=65_536)
def address(topic: str) -> Address:
    """Take `<root>/<group>/<device>/<kind>` apart; the root may have any name."""
    parts = topic.split("/")
    if len(parts) != 4:
        return Address(fault="the topic is not hourhand/<group>/<device>/<kind>")
    _, group, device, kind = parts
    if not ID.fullmatch(device):
        return Address(fault="the device id in the topic is not 1 to 64 letters, digits, _ and -")
    if not ID.fullmatch(group):
        return Address(fault="the group in the topic is not 1 to 64 letters, digits, _ and -")
    for known in KINDS:
        if kind == known:
            return Address(group, device, known)
    return Address(device=device, fault="the topic ends in none of readings, event, status")


def clean(text: str, at_most: int) -> str:
    """A device's text made safe to keep: no control characters, no lone surrogates, cut to size."""
    kept = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text[:at_most])
    return kept.encode("utf-8", "replace").decode("utf-8")
