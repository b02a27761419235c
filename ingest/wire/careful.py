"""Readings, events and births read with care: everything that is forgiven, and every refusal.

Contract: docs/wire.md. One `Care` gathers what one message said.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from datetime import UTC
from typing import Any, cast, get_args

from fleet.calendar import DAY_S
from fleet.defaults import CLOCK_AHEAD_S, CLOCK_EPOCH
from fleet.model import Clock, DeviceEvent, EventName, Quarantined, Reading, Status
from fleet.model.device_clock import Stamps
from ingest.profiles import Profile
from ingest.wire.arrays import Entry, folds, is_reversed, told_apart
from ingest.wire.message import ENTRIES_AT_MOST, Address, Decoded, Message, Speaker, clean
from ingest.wire.objects import Object
from ingest.wire.parts import NO_TRACE, read_habit, read_trace
from ingest.wire.quick import NEXT_AT_MOST_S, SEQ_AT_MOST
from ingest.wire.times import NO_STAMP, Moment, StampRule, moment, stamp, wall_time
from ingest.wire.values import Values

EVENTS: tuple[str, ...] = get_args(EventName)
REASON_AT_MOST = 400
CAUSE_AT_MOST = 200
"""Characters kept of a reason, and of the cause a device names. A bound of ours."""

AHEAD_AT_LEAST = 2
"""Entries of an array that lie up to a day ahead: one is a stamp that is wrong by itself, more are
a clock, and its other stamps are no better. Common practice, no source."""

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
        self.rule = speaker.rule
        self.folds: dict[int, int] = {}
        self.reverse = False
        self.ahead = False
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
        for entry, place in self._entries(value):
            self._reading_entry(entry, place)
        if not self.said.single:
            self.readings[:], moved = told_apart(self.readings, self.reverse)
            for _ in range(moved):
                self.values.forgive("stamp_shared")
        self.said.unknown_only = bool(self.said.unknown) and not self.values.named
        return self.said

    def event_message(self, value: Any) -> Decoded:
        """One object; an array (kept for later, sent together) is taken too."""
        for entry, place in self._entries(value):
            self._event_entry(entry, place)
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
        told = moment(value.get("at"), self.zone, self.message.received_at, self.rule)
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

    def _entries(self, value: Any) -> Iterator[tuple[Object, int | None]]:
        """Entries, each with its place in the array; None: a single object."""
        if isinstance(value, Object):
            yield value, None
        elif not isinstance(value, list):
            self.refuse("the payload is neither an object nor an array of objects")
        elif len(value) > ENTRIES_AT_MOST:
            self.refuse(f"the array has {len(value)} entries, more than {ENTRIES_AT_MOST}")
        else:
            self._look_over(value)
            for place, entry in enumerate(value):
                if isinstance(entry, Object):
                    yield entry, place
                else:
                    self.refuse("the entry of the array is not an object", entry)

    def _look_over(self, value: list[Any]) -> None:
        """What an array as a whole says of its times: their zone, and hours that come twice."""
        self.said.single = False
        found: list[Entry] = []
        stamps: Stamps = "zoned"
        for place, entry in enumerate(value):
            told = stamp(entry.get(self.profile.at)) if isinstance(entry, Object) else NO_STAMP
            if told.digits_s is not None and isinstance(entry, Object):
                seq = entry.get(self.profile.seq)
                number = seq if type(seq) is int else None
                found.append(Entry(place, told.digits_s, number, entry))
                stamps = told.stamps
        if not found:
            return
        self.reverse = is_reversed([entry.digits_s for entry in found])
        received_at = self.message.received_at
        latest, newest = received_at + CLOCK_AHEAD_S, max(entry.digits_s for entry in found)
        try:
            zone = self.zone if stamps == "bare" else UTC
            is_now = abs(newest - received_at) <= CLOCK_AHEAD_S
            if self.rule.zone is not None and self.rule.stamps == stamps:
                zone = self.rule.zone
            elif stamps == "bare" and is_now and wall_time(newest, zone, latest) > latest:
                zone = UTC  # not the site's wall clock; in UTC its newest is now
                self.rule = StampRule("bare", UTC)
            if zone is not UTC:
                self.folds = folds(found, zone, latest)
            times = {wall_time(entry.digits_s, zone, latest) for entry in found}
            self.ahead = sum(latest < at <= received_at + DAY_S for at in times) >= AHEAD_AT_LEAST
        except (ValueError, OverflowError):
            return

    # ---- one entry

    def _reading_entry(self, entry: Object, place: int | None) -> None:
        live = place is None
        when = self._head(entry, place)
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

    def _event_entry(self, entry: Object, place: int | None) -> None:
        live = place is None
        named = entry.get(self.profile.event)
        event = named.strip().lower() if isinstance(named, str) else ""
        if event not in EVENTS:
            self.refuse(f"the event is none of {', '.join(EVENTS)}", WHOLE if live else entry)
            return
        trace = read_trace(entry, self.profile) if event == "trace" else NO_TRACE
        if isinstance(trace, str):
            self.refuse(trace, WHOLE if live else entry)
            return
        when = self._head(entry, place)
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

    def _head(self, entry: Object, place: int | None) -> tuple[int, Clock] | None:
        """Time of an entry and how it was come by. None: refused (and said so)."""
        live = place is None
        aside = WHOLE if live else entry
        device = entry.get("device")
        if isinstance(device, str) and device != self.said.device:
            self.refuse(f"the payload names device {device!r}, the topic another", aside)
            return None
        if self.profile.at in entry.twice:
            self.refuse("the time is given twice with different values", aside)
            return None
        fold = None if place is None else self.folds.get(place)
        told = moment(
            entry.get(self.profile.at), self.zone, self.message.received_at, self.rule, fold
        )
        self._note(told)
        if live and told.at is not None:
            told = self._fine(told)
        elif self.ahead and told.at is not None:
            told = Moment(None, fault="the clock that wrote the array is ahead of its receipt")
        if told.at is not None:
            if told.forgiven:
                self.values.forgive(told.forgiven)
            self.said.clock_right = True
            return told.at, told.clock
        if told.fault:
            self.said.clock_wrong = True
        elif told.forgiven:
            self.values.forgive(told.forgiven)
        else:
            self.said.clock_absent = True
        if not live:
            self.refuse(told.fault or "the entry has no time", entry)
            return None
        return self._receipt_time(), "receipt"

    def _note(self, told: Moment) -> None:
        """Keep the newest stamp, for what it says of the clock."""
        digits, newest = told.digits_s, self.said.newest
        if digits is not None and digits >= CLOCK_EPOCH and (newest is None or digits > newest[0]):
            self.said.newest = (digits, told.stamps)

    def _fine(self, told: Moment) -> Moment:
        """The time of a single message, if it tells it from the others of its device."""
        if self.rule.coarse:
            return Moment(
                None, fault="the times of this device are too coarse to tell its messages"
            )
        if told.at is None or told.digits_s != self.rule.repeated_s:
            return told
        if self.message.received_at - told.at > CLOCK_AHEAD_S:
            return Moment(None, fault="the clock stands still")
        return Moment(None, forgiven="stamp_repeated")

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
