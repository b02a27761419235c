"""A message read the fast way where it can be, else with care; both say the same."""

from __future__ import annotations

from collections.abc import Mapping

from fleet.model import Quarantined
from ingest.profiles import NO_PROFILE
from ingest.wire.careful import Care
from ingest.wire.message import Decoded, Message, Speaker, address
from ingest.wire.objects import read_json
from ingest.wire.quick import quick
from ingest.wire.times import AS_GIVEN

_NONE_EARLIER: Mapping[str, int] = {}
_ANYBODY = Speaker()


def decode(
    message: Message, speaker: Speaker = _ANYBODY, earlier: Mapping[str, int] = _NONE_EARLIER
) -> Decoded:
    """Read one message. Never raises for anything a device can send.

    speaker: zone of the site and profile of the device the topic names.
    earlier: `timeless_key` to the receipt time [s UTC] given out for it within the last 48 h;
    looked at only for a message with the DUP flag that has no usable time.
    """
    place = address(message.topic)
    if (
        place.kind == "readings"
        and not place.fault
        and not message.retain
        and speaker.profile is NO_PROFILE
        and speaker.rule is AS_GIVEN
        and len(message.payload) <= message.at_most
    ):
        said = quick(message, place)
        if said is not None:
            return said
    return decode_carefully(message, speaker, earlier)


def decode_carefully(
    message: Message, speaker: Speaker = _ANYBODY, earlier: Mapping[str, int] = _NONE_EARLIER
) -> Decoded:
    """`decode` without the fast way; the result is the same."""
    place = address(message.topic)
    care = Care(message, place, speaker, earlier)
    if place.fault:
        care.refuse(place.fault)
        return care.said
    if place.kind == "status" and not message.payload:
        return care.said  # a retained birth or will was cleared at the broker
    retained = message.retain and place.kind != "status"
    if len(message.payload) > message.at_most:
        if not retained:
            care.refuse(f"the payload is {len(message.payload)} bytes, more than {message.at_most}")
        return care.said
    read = read_json(message.payload)
    if read.fault:
        if not retained:  # it was judged when it was live
            care.refuse(read.fault)
        return care.said
    for what in read.forgiven:
        care.said.forgiven[what] = care.said.forgiven.get(what, 0) + 1
    if place.kind == "status":
        return care.status_message(read.value)
    if place.kind == "event":
        said = care.event_message(read.value)
    else:
        said = care.readings_message(read.value)
    return _as_seed(said) if retained else said


def _as_seed(said: Decoded) -> Decoded:
    """A retained message is never a reading and never fresh: only its timed values, as seeds."""
    return Decoded(
        device=said.device,
        group=said.group,
        kind=said.kind,
        seeds=[reading for reading in said.readings if reading.clock != "receipt"],
    )


def our_fault(message: Message, reason: str) -> Quarantined:
    """A message that our own code failed on, set aside as such."""
    place = address(message.topic)
    return Quarantined(
        device=place.device,
        topic=message.topic,
        received_at=message.received_at,
        reason=reason,
        payload=message.payload,
        ours=True,
    )
