"""Readings, events and births read with care: everything that is forgiven, and every refusal.

Contract: docs/wire.md. One `Care` gathers what one message said.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from typing import Any, cast, get_args

from fleet.model import Clock, DeviceEvent, EventName, Quarantined, Reading, Status
from ingest.profiles import Profile
from ingest.wire.message import ENTRIES_AT_MOST, Address, Decoded, Message, Speaker, clean
from ingest.wire.objects import Object
from ingest.wire.parts import NO_TRACE, read_habit, read_trace
from ingest.wire.quick import NEXT_AT_MOST_S, SEQ_AT_MOST
from ingest.wire.times import moment
from ingest.wire.values import Values

EVENTS: tuple[str, ...] = get_args(EventName)
REASON_AT_MOST = 400
CAUSE_AT_MOST = 200
"""Characters kept of a reason, and of the cause a device names. A bound of ours."""

WHOLE: Any = object()
"""What is refused is the whole message, not an entry of it (which may be null)."""

_EVENT_FIELDS = frozenset({"cause", "channel", "step_s", "samples"})


class Care:
    """Reads the entries of one message into a Decoded."""

    def __init__(
        self, message: Message, place: Address, speaker: Speaker, earlier: Mapping[str, int]
    ) -> None:
        self.message = message
        self.profile: Profile = speaker.profile
        self.zone = speaker.zone
        self.earlier = earlier
        self.readings: list[Reading] = []
        self.events: list[DeviceEvent] = []
        self.rejects: list[Quarantined] = []
        self.sequence: list[tuple[int, int]] = []
        self.said = Decoded(
            device=place.device,
            group=place.group,
            kind=place.kind,
            readings=self.readings,
            events=self.events,
            rejects=self.rejects,
            forgiven={},
            unknown={},
            sequence=self.sequence,
        )
        self.values = Values(self.profile, self.said)

    # ---- what a message is made of

    def readings_message(self, value: Any) -> Decoded:
        """One object, or an array of objects."""
        for entry, live in self._entries(value):
            self._reading_entry(entry, live)
        return self.said

    def event_message(self, value: Any) -> Decoded:
        """One object; an array (kept for later, sent together) is taken too."""
        for entry, live in self._entries(value):
            self._event_entry(entry, live)
        return self.said

    def status_message(self, value: Any) -> Decoded:
        """A birth or a last will."""
        if not isinstance(value, Object):
            self.refuse("a status is one JSON object")
            return self.said
        state = value.get("state")
        state = state.strip().lower() if isinstance(state, str) else None
        if state not in ("online", "offline"):
            self.refuse("a status has a state, online or offline")
            return self.said
        told = moment(value.get("at"), self.zone, self.message.received_at)
        if state == "online" and told.fault:
            self.said.clock_wrong = True
        firmware = value.get("firmware")
        habit = read_habit(value.get("habit"))
        if isinstance(habit, str):
            self.refuse(habit)
            habit = None
        self.said.status = Status(
            device=self.said.device,
            state=cast(Any, state),
            received_at=self.message.received_at,
            retained=self.message.retain,
            at=told.at,
            firmware=clean(str(firmware), 64) if isinstance(firmware, str | int | float) else "",
            habit=habit,
        )
        return self.said

    def refuse(self, reason: str, entry: Any = WHOLE) -> None:
        """Set the message, or one entry of it, aside with its reason."""
        payload = self.message.payload if entry is WHOLE else json.dumps(entry).encode("ascii")
        self.rejects.append(
            Quarantined(
                device=self.said.device,
                topic=self.message.topic,
                received_at=self.message.received_at,
                reason=clean(reason, REASON_AT_MOST),
                payload=payload,
            )
        )

    def _entries(self, value: Any) -> Iterator[tuple[Object, bool]]:
        if isinstance(value, Object):
            yield value, True
        elif not isinstance(value, list):
            self.refuse("the payload is neither an object nor an array of objects")
        elif len(value) > ENTRIES_AT_MOST:
            self.refuse(f"the array has {len(value)} entries, more than {ENTRIES_AT_MOST}")
        else:
            for entry in value:
                if isinstance(entry, Object):
                    yield entry, False
                else:
                    self.refuse("the entry of the array is not an object", entry)

    # ---- one entry

    def _reading_entry(self, entry: Object, live: bool) -> None:
        when = self._head(entry, live)
        if when is None:
            return
        at, clock = when
        values = self._values_of(entry, frozenset(), live)
        if values:
            self.readings.append(Reading(self.said.device, at, values, clock))
        seq = self.values.whole(entry.get(self.profile.seq), 0, SEQ_AT_MOST, "seq")
        if seq is not None:
            self.sequence.append((at, seq))
        next_s = self.values.whole(entry.get(self.profile.next_s), 1, NEXT_AT_MOST_S, "next_s")
        newest = self.said.next_report
        if next_s is not None and (newest is None or at >= newest[0]):
            self.said.next_report = (at, next_s)

    def _event_entry(self, entry: Object, live: bool) -> None:
        named = entry.get(self.profile.event)
        event = named.strip().lower() if isinstance(named, str) else ""
        if event not in EVENTS:
            self.refuse(f"the event is none of {', '.join(EVENTS)}", WHOLE if live else entry)
            return
        trace = read_trace(entry, self.profile) if event == "trace" else NO_TRACE
        if isinstance(trace, str):
            self.refuse(trace, WHOLE if live else entry)
            return
        when = self._head(entry, live)
        if when is None:
            return
        at, clock = when
        values = self._values_of(entry, _EVENT_FIELDS | {self.profile.event}, live)
        cause = entry.get("cause")
        self.events.append(
            DeviceEvent(
                device=self.said.device,
                at=at,
                event=cast(EventName, event),
                channel=trace.channel,
                cause=clean(str(cause), CAUSE_AT_MOST)
                if isinstance(cause, str | int | float)
                else "",
                values=values,
                step_s=trace.step_s,
                samples=trace.samples,
                clock=clock,
                received_at=self.message.received_at,
            )
        )
        if values:
            self.readings.append(Reading(self.said.device, at, values, clock))
        seq = self.values.whole(entry.get(self.profile.seq), 0, SEQ_AT_MOST, "seq")
        if seq is not None:
            self.sequence.append((at, seq))

    def _values_of(self, entry: Object, fields: frozenset[str], live: bool) -> dict[str, float]:
        kept, faults = self.values.read(entry, fields)
        if faults:
            self.refuse("; ".join(faults), WHOLE if live else entry)
        return kept

    def _head(self, entry: Object, live: bool) -> tuple[int, Clock] | None:
        """Time of an entry and whose clock it is. None: refused (and said so)."""
        aside = WHOLE if live else entry
        device = entry.get("device")
        if isinstance(device, str) and device != self.said.device:
            self.refuse(f"the payload names device {device!r}, the topic another", aside)
            return None
        if self.profile.at in entry.twice:
            self.refuse("the time is given twice with different values", aside)
            return None
        told = moment(entry.get(self.profile.at), self.zone, self.message.received_at)
        if told.at is not None:
            if told.forgiven:
                self.values.forgive(told.forgiven)
            self.said.clock_right = True
            return told.at, told.clock
        if told.fault:
            self.said.clock_wrong = True
        else:
            self.said.clock_absent = True
        if not live:
            self.refuse(told.fault or "the entry has no time", entry)
            return None
        return self._receipt_time(), "receipt"

    def _receipt_time(self) -> int:
        """The receipt time, or for a redelivery the one given out before.

        A redelivery has the DUP flag and the same topic, payload and packet identifier; a new
        delivery, however alike, gets its own time.
        """
        key = timeless_key(self.message)
        self.said.timeless_key = key
        if self.message.dup:
            return self.earlier.get(key, self.message.received_at)
        return self.message.received_at


def timeless_key(message: Message) -> str:
    """What a redelivered message without a time is recognised by: topic, payload and number.

    MQTT 3.1.1, 4.4, and MQTT 5, 4.4: a message is delivered again under its packet identifier.
    """
    digest = hashlib.sha256(message.topic.encode("utf-8", "surrogatepass"))
    digest.update(b"\0" + message.payload)
    if message.number:
        digest.update(b"\0%d" % message.number)
    return digest.hexdigest()
