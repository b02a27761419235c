"""How what a message said changes what is known of its device. Pure.

Ingest is the only writer of pulses: it keeps them in memory and merges there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from zlib import crc32

import msgspec

from fleet.channels import CHANNELS
from fleet.model import (
    Counts,
    Latest,
    Pulse,
    Quarantined,
    Reading,
    Speakers,
    Status,
    without_clock,
)
from fleet.model.device_clock import COARSE_S, DeviceClock
from ingest.clocks import RIGHT_S, due, heard_by, learn, settled_until
from ingest.deliveries import delivered
from ingest.seats import Before, Says
from ingest.sequence import Numbering, anothers, heard
from ingest.speakers import HOURS, heard_from
from ingest.wire import timeless_key
from ingest.wire.message import FROM_FILES, UNKNOWN_AT_MOST, Decoded, Message, Speaker

MESSAGE_OVERHEAD_B = 150
"""What a message costs on the wire beside topic and payload: headers of MQTT 5, TLS and TCP, and
its acknowledgement. Measured: 0.38 kB in all for a report of eight channels, TLS, QoS 1."""

TOP_AT_MOST = 100
"""Readings of the newest second that are looked at. Common practice, no source."""
APART_S = 2
"""Messages of one stamp that come so far apart were sent apart. Common practice, no source."""

TWO_DEVICES = (
    "two devices seem to speak under this id: their message numbers or engine hours go on from two "
    "counts in turn"
)

_NAMES = frozenset(CHANNELS)
_ANYBODY = Speaker()


class Opened:
    """One device's state while a batch is merged into it; `close` gives the new one."""

    __slots__ = (
        "_clock_right_at",
        "_clock_wrong_at",
        "_counted_at",
        "_deliveries",
        "_delivery",
        "_firmware",
        "_forgiven",
        "_habit",
        "_heard_at",
        "_hours_h",
        "_look_at",
        "_newest_at",
        "_next_due_at",
        "_next_seq",
        "_online",
        "_pulse",
        "_puzzling_at",
        "_puzzling_since",
        "_received_b",
        "_seat_at",
        "_seeds",
        "_speakers",
        "_stamp_s",
        "_stamp_says",
        "_stamped",
        "_status_at",
        "_told_at",
        "_told_wrong_at",
        "_top",
        "_unknown",
        "_unsure_after",
        "_untimed_at",
        "_untimed_since",
        "clock",
        "days",
        "edge",
        "group",
        "numbering",
        "readings",
        "speaker",
    )

    def __init__(
        self, pulse: Pulse, numbering: Numbering, group: str, speaker: Speaker = _ANYBODY
    ) -> None:
        self._pulse = pulse
        self.speaker = speaker
        self.clock = pulse.clock
        self._top: Sequence[Reading] = ()
        self._stamp_s, self._stamp_says = pulse.stamp_s, pulse.stamp_says
        self._stamped = b""
        self.edge = max(pulse.newest_at or 0, pulse.stamp_s or 0)
        """No stamp up to here is sure to tell its message from the one before [s]."""
        self._learned(pulse.clock)
        self.numbering = numbering
        self.group = group
        self.readings: list[Reading] = []
        self.days: set[int] = set()
        self._seeds: list[Reading] = []
        self._heard_at = pulse.heard_at
        self._delivery, self._deliveries = pulse.delivery, pulse.deliveries
        self._newest_at = pulse.newest_at
        self._next_due_at = pulse.next_due_at
        self._online, self._status_at = pulse.online, pulse.status_at
        self._firmware, self._habit = pulse.firmware, pulse.habit
        self._clock_wrong_at: int | None = None
        self._clock_right_at: int | None = None
        self._told_wrong_at = 0
        self._told_at = pulse.clock_told_at
        self._untimed_since, self._untimed_at = pulse.untimed_since, pulse.untimed_at
        self._puzzling_since, self._puzzling_at = pulse.puzzling_since, pulse.puzzling_at
        self._seat_at, self._unsure_after = pulse.seat_at, pulse.unsure_after
        self._counted_at = 0
        self._next_seq: int | None = None
        self._hours_h: float | None = None
        self._speaks(pulse.speakers)
        self._received_b = 0
        self._forgiven: dict[str, int] = {}
        self._unknown: dict[str, str] = {}

    def believed(self, said: Decoded, message: Message, received_at: int) -> Decoded:
        """What may be taken of a message: all of it, but nothing while two devices seem to speak
        under the id, for nobody knows which of them said it. received_at [s UTC]."""
        if message.retain or not (said.readings or said.events):
            return said
        if self._goes_on(said) and not (message.queued or message.dup):
            return said
        before = self._spoke()
        if not (message.queued or message.dup):
            self._speaks(heard_from(before, said, received_at))
        after = self._speakers
        if after is not None and before is not None and after.returns > before.returns:
            said.sequence = ()  # it skipped none of its own
            if after.since != before.since:
                self.numbering = anothers(self.numbering)
        if after is None or after.since is None:
            return said
        refused = Quarantined(
            device=said.device,
            topic=message.topic,
            received_at=received_at,
            reason=TWO_DEVICES,
            payload=message.payload,
        )
        return Decoded(
            device=said.device, group=said.group, kind=said.kind, rejects=[*said.rejects, refused]
        )

    def _goes_on(self, said: Decoded) -> bool:
        """Whether a single message says the next number and the same engine hours, the common case;
        it is noted then. The result is the same as `heard_from`'s."""
        if len(said.readings) != 1:
            return False
        (reading,) = said.readings
        seq = said.sequence[0][1] if said.sequence else None
        hours = reading.values.get(HOURS)
        if self._speakers is None:
            return seq is None and hours is None
        if self._speakers.since is not None or reading.at <= self._counted_at:
            return False
        if seq != self._next_seq or hours != self._hours_h:
            return False
        self._counted_at = reading.at
        if seq is not None:
            self._next_seq = seq + 1
        return True

    def _spoke(self) -> Speakers | None:
        """What is known of who speaks, with what `_goes_on` noted."""
        known = self._speakers
        if known is None or known.newest.at == self._counted_at:
            return known
        seq = None if self._next_seq is None else self._next_seq - 1
        newest = Counts(self._counted_at, seq, self._hours_h)
        return msgspec.structs.replace(known, newest=newest)

    def _speaks(self, known: Speakers | None) -> None:
        self._speakers = known
        if known is not None:
            newest = known.newest
            self._counted_at, self._hours_h = newest.at, newest.hours_h
            self._next_seq = None if newest.seq is None else newest.seq + 1

    def hear(self, said: Decoded, message: Message, received_at: int) -> None:
        """Merge one message. received_at [s UTC] is never later than the present."""
        retained = message.retain
        spoken = bool(said.readings or said.events or not said.rejects)
        understood = spoken and not said.unknown_only
        if message.number < FROM_FILES:
            self._received_b += len(message.payload) + len(message.topic) + MESSAGE_OVERHEAD_B
        if said.status is not None:
            self._status(said.status, received_at)
        elif retained:
            self._seeds.extend(said.seeds)
            return
        elif not understood:
            self._puzzled(received_at)
        else:
            if self._puzzling_since is not None:
                self._understood(received_at)
            again = message.dup  # as all lines of a file do: those count that are newer
            if message.number >= FROM_FILES:
                again = self._delivery is not None and received_at < self._delivery.last_at
            if said.readings and not (message.queued or again or said.clock_absent):
                self._delivery, self._deliveries = delivered(
                    self._delivery, self._deliveries, said.readings, received_at
                )
            self._by_device(received_at)
        if message.queued:
            self._contact_lost()
        elif not retained:
            self._unsure_after = None
        if not understood:
            self.readings.extend(said.readings)
        elif said.readings:
            self._newest(said)
        if said.newest is not None:
            self._stamp(said, message, received_at)
        if said.sequence:
            self.numbering = heard(self.numbering, said.sequence, self._pulse.newest_at)
        if said.clock_wrong or said.clock_absent:
            self._tell(said, received_at)
        elif said.clock_right and received_at > (self._clock_right_at or 0):
            self._clock_right_at = received_at
        for what, count in said.forgiven.items():
            self._forgiven[what] = self._forgiven.get(what, 0) + count
        if said.unknown:
            self._unknown.update(said.unknown)
        for event in said.events:
            self.days.add(event.at // 86_400)

    def _stamp(self, said: Decoded, message: Message, received_at: int) -> None:
        """Remember the stamp of a single message, and compare it with its receipt."""
        newest = said.newest
        assert newest is not None
        digits = newest[0]
        if said.single:
            self._stamp_s, self._stamped = digits, message.payload
        if digits > self.edge:
            self.edge = digits
        again = message.dup and message.number < FROM_FILES
        if message.queued or again:
            return  # its receipt says nothing of when it was sent
        ahead = digits - received_at
        settled = received_at < self._look_at and RIGHT_S[0] <= ahead <= RIGHT_S[1]
        if (not settled or digits % COARSE_S == 0) and due(self.clock, received_at, digits):
            self._learned(learn(self.clock, newest, received_at, self.speaker))

    def _learned(self, clock: DeviceClock) -> None:
        """Take what is known of the clock now, and read by it from here on."""
        self.clock = clock
        self._look_at = settled_until(clock)
        self.speaker = heard_by(clock, self.speaker)

    def repeats(self, said: Decoded, message: Message, earlier: Mapping[str, int]) -> bool:
        """Whether a single message has the time of the newest reading, or the stamp of the message
        before it, and says something else, later. Then that stamp tells no more messages apart,
        and the clock says so. earlier: by which one that is delivered again is known: its receipt
        says nothing."""
        if not said.single or not said.readings or said.timeless_key or said.newest is None:
            return False
        digits, stamps = said.newest
        (reading,) = said.readings
        if digits != self._stamp_s and reading.at != self._newest_at:
            return False
        if said.kind != "readings" or message.queued:
            return False
        heard_at, payload = self._heard_at, message.payload
        if message.dup and message.number < FROM_FILES:
            if timeless_key(message) not in earlier:
                return False
        elif heard_at is None or message.received_at - heard_at < APART_S:
            return False
        if payload == self._stamped or crc32(payload) == self._stamp_says:
            return False
        if reading.at == self._newest_at and not self._differs(reading):
            return False
        clock = self.clock
        if clock.unit != self.speaker.unit or clock.stamps != stamps:
            clock = DeviceClock(unit=self.speaker.unit, stamps=stamps)
        self._learned(msgspec.structs.replace(clock, repeated_s=digits))
        return True

    def _differs(self, reading: Reading) -> bool:
        """Whether the second of a reading holds another value of something it says."""
        latest, values = self._pulse.latest, reading.values
        for name, value in values.items():
            known = latest.get(name)
            if known is not None and known.at == reading.at and known.value != value:
                return True
        return any(
            top.at == reading.at and values.get(name, value) != value
            for top in self._top
            for name, value in top.values.items()
        )

    def merged(self, count: int) -> None:
        """So many values had to share their second with another of the same channel."""
        self._forgiven["values_sharing_a_second"] = (
            self._forgiven.get("values_sharing_a_second", 0) + count
        )

    def before(self) -> Before:
        """What seats of messages without a time are given by."""
        return Before(
            self._pulse.device, self._seat_at, self._pulse.heard_at, self._unsure_after, self._taken
        )

    def expect(self, queued: bool) -> None:
        """A message without a time is about to get its second."""
        if queued:
            self._contact_lost()

    @property
    def told_at(self) -> int | None:
        """The newest time of a reading so far, where the device gave it [s UTC]."""
        given = self._newest_at
        return given if given is None or given > (self._seat_at or 0) else None

    def seated(self, at: int, crowded: bool = False) -> None:
        """A message without a time was given that second [s UTC]."""
        self._seat_at = max(at, self._seat_at or 0)
        if crowded:
            self._forgiven["several_in_one_second"] = (
                self._forgiven.get("several_in_one_second", 0) + 1
            )

    def close(self) -> Pulse:
        """The device's new state; `days` then holds every UTC day that was touched."""
        if self._clock_right_at is not None:
            self._settle_clock()
        old = self._pulse
        latest = dict(old.latest)
        self._merge_latest(latest)
        for reading in self.readings:
            self.days.add(reading.at // 86_400)
        wrong_since, wrong_at = self._clock()
        month, month_b = self._traffic()
        return Pulse(
            device=old.device,
            heard_at=self._heard_at,
            newest_at=self._newest_at,
            latest=latest,
            online=self._online,
            status_at=self._status_at,
            firmware=self._firmware,
            habit=self._habit,
            next_due_at=self._next_due_at,
            clock_wrong_since=wrong_since,
            clock_wrong_at=wrong_at,
            forgiven=_added(old.forgiven, self._forgiven) if self._forgiven else old.forgiven,
            unknown=_joined(old.unknown, self._unknown) if self._unknown else old.unknown,
            sequence_gaps=self.numbering.gaps,
            last_seq=self.numbering.last,
            seat_at=self._seat_at,
            unsure_after=self._unsure_after,
            clock_told_at=self._told_at,
            untimed_since=self._untimed_since,
            untimed_at=self._untimed_at,
            puzzling_since=self._puzzling_since,
            puzzling_at=self._puzzling_at,
            delivery=self._delivery,
            deliveries=self._deliveries,
            clock=self.clock,
            stamp_s=self._stamp_s,
            stamp_says=crc32(self._stamped) if self._stamped else self._stamp_says,
            speakers=self._spoke(),
            month=month,
            month_b=month_b,
        )

    def _by_device(self, received_at: int) -> None:
        """The device itself spoke: it is heard, and not offline if that was said before."""
        if self._heard_at is None or received_at > self._heard_at:
            self._heard_at = received_at
        if self._online is False and received_at >= (self._status_at or 0):
            self._online = True

    def _puzzled(self, received_at: int) -> None:
        """A message of which nothing could be understood: the device speaks, and is not heard."""
        if self._puzzling_since is None:
            self._puzzling_since = received_at
            self.days.add(received_at // 86_400)
        self._puzzling_at = max(received_at, self._puzzling_at or 0)

    def _understood(self, received_at: int) -> None:
        """A message was understood, and none since was not."""
        if received_at >= (self._puzzling_at or 0):
            self._puzzling_since = self._puzzling_at = None
            self.days.add(received_at // 86_400)

    def _contact_lost(self) -> None:
        """When it was sent is not known, and the last certain contact stays the last."""
        if self._unsure_after is None:
            self._unsure_after = self._pulse.heard_at or 0

    def _taken(self, at: int, says: Says) -> bool:
        """Whether a second holds another value of a channel that is to be put there."""
        if at == self._seat_at and any(" " in name for name in says):
            return True  # an event: which were put there is not remembered
        latest = self._pulse.latest
        for name, value in says.items():
            known = latest.get(name)
            if known is not None and known.at == at and known.value != value:
                return True
        return any(
            reading.at == at and says.get(name, value) != value
            for reading in self.readings
            for name, value in reading.values.items()
        )

    def _tell(self, said: Decoded, received_at: int) -> None:
        """A message with a wrong time, or none. A device that never gave a time, or none for long,
        has no clock; one that does at times has one that is wrong when it does not."""
        if said.clock_wrong:
            self._clock_wrong_at = max(received_at, self._clock_wrong_at or 0)
            self._told_wrong_at = max(received_at, self._told_wrong_at)
        elif said.clock_right:
            self._clock_right_at = max(received_at, self._clock_right_at or 0)
        self._settle_clock()
        if said.clock_absent:
            if self._untimed_since is None:
                self._untimed_since = received_at
            self._untimed_at = max(received_at, self._untimed_at or 0)
            if not self._clockless():
                self._clock_wrong_at = max(received_at, self._clock_wrong_at or 0)

    def _settle_clock(self) -> None:
        """Any time given, right or wrong, ends a spell of messages without one."""
        told = max(self._told_wrong_at, self._clock_right_at or 0)
        if told > (self._told_at or 0):
            self._told_at = told
        if told >= (self._untimed_at or 0) and told:
            self._untimed_since = None

    def _clockless(self) -> bool:
        return without_clock(self._told_at, self._untimed_since, self._untimed_at)

    def _traffic(self) -> tuple[int, int]:
        """The newest UTC month in which the device was heard, and the bytes received in it."""
        old = self._pulse
        month = max(old.month, _month_of((self._heard_at or 0) // 86_400))
        return month, self._received_b + (old.month_b if month == old.month else 0)

    def _status(self, status: Status, received_at: int) -> None:
        """A birth or a last will. Retained: seeds what is unknown, is never fresh.

        A last will is the broker's word, not the device's: it is never heard from the device, and
        one that is older than a message of the device is ignored.
        """
        if status.retained:
            self._seed(status)
            return
        self.days.add(received_at // 86_400)
        if status.state == "offline":
            if received_at >= max(self._heard_at or 0, self._status_at or 0):
                self._online, self._status_at = False, received_at
            return
        if self._speakers is not None and self._speakers.since is not None:
            self._puzzled(received_at)
        else:
            self._by_device(received_at)
        if received_at < (self._status_at or 0):
            self._seed(status)
            return
        self._online, self._status_at = True, received_at
        self._firmware = status.firmware or self._firmware
        self._habit = status.habit or self._habit

    def _seed(self, status: Status) -> None:
        if self._online is None:
            self._online = status.state == "online"
        newer = status.at is not None and status.at > (self._status_at or 0)
        if status.firmware and (newer or not self._firmware):
            self._firmware = status.firmware
        if status.habit is not None and (newer or self._habit is None):
            self._habit = status.habit

    def _newest(self, said: Decoded) -> None:
        self.readings.extend(said.readings)
        newest = said.readings[0].at
        for reading in said.readings:
            if reading.at > newest:
                newest = reading.at
        if self._newest_at is None or newest >= self._newest_at:
            same = newest == self._newest_at and len(self._top) < TOP_AT_MOST
            self._top = (*self._top, *said.readings) if same else said.readings
            self._newest_at = newest
            if newest > self.edge:
                self.edge = newest
            if said.kind == "readings":
                report = said.next_report
                self._next_due_at = None if report is None else report[0] + report[1]

    def _merge_latest(self, latest: dict[str, Latest]) -> None:
        """Newer time wins for each channel; of one second's values the larger, as in the store."""
        readings = self.readings
        for reading in sorted(readings, key=_at, reverse=True) if len(readings) > 1 else readings:
            at = reading.at
            for name, value in reading.values.items():
                known = latest.get(name)
                if known is None:
                    if name in _NAMES:
                        latest[name] = Latest(at, value)
                elif at > known.at or (at == known.at and value > known.value):
                    latest[name] = Latest(at, value)
        for seed in self._seeds:
            for name in seed.values.keys() & _NAMES:
                latest.setdefault(name, Latest(seed.at, seed.values[name]))

    def _clock(self) -> tuple[int | None, int | None]:
        """(wrong since, last seen wrong at): a good time that came later ends it."""
        since, at = self._pulse.clock_wrong_since, self._pulse.clock_wrong_at
        wrong, right = self._clock_wrong_at, self._clock_right_at
        if wrong is not None:
            at = max(wrong, at or 0)
            since = since if since is not None else wrong
            self.days.add(wrong // 86_400)
        if wrong is None and since is not None and self._clockless():
            self.days.add((self._untimed_at or since) // 86_400)
            since = None
        if right is not None and since is not None and right > (at or 0):
            since = None
            self.days.add(right // 86_400)
        return since, at


@lru_cache(maxsize=64)
def _month_of(day: int) -> int:
    """12 x year + month - 1 of a UTC day (days since 1970)."""
    date = datetime.fromtimestamp(day * 86_400, UTC)
    return 12 * date.year + date.month - 1


def _at(reading: Reading) -> int:
    return reading.at


def _added(old: dict[str, int], new: dict[str, int]) -> dict[str, int]:
    return {name: old.get(name, 0) + new.get(name, 0) for name in {**old, **new}}


def _joined(old: dict[str, str], new: dict[str, str]) -> dict[str, str]:
    joined = {**old, **new}
    return dict(list(joined.items())[:UNKNOWN_AT_MOST])
