"""What a batch of messages said, sorted by where it goes; nothing is written here."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping

from fleet.model import DeviceEvent, Pulse, Quarantined, Reading, Status
from fleet.registry.base.faults import RegistryFault
from fleet.registry.facts.rows import InboxMark, PulseBatch
from ingest.cache import Cache
from ingest.pulses import Opened
from ingest.seats import Seat, Timeless, at_seat, seats
from ingest.sitting import Earlier, Sitting
from ingest.wire import Decoded, Message, Speaker, address, our_fault

Read = Callable[[Message, Speaker, Mapping[str, int]], Decoded]

_log = logging.getLogger(__name__)


class Gathering:
    """What a batch said, sorted by where it goes."""

    def __init__(self, cache: Cache, earlier: Earlier, now: int, read: Read) -> None:
        self._read = read
        self._cache = cache
        self._earlier = earlier
        self._now = now
        self.opened: dict[str, Opened] = {}
        self.events: list[DeviceEvent] = []
        self.statuses: list[Status] = []
        self.rejects: list[Quarantined] = []
        self.ignored = 0
        self._timeless: dict[str, list[Timeless]] = {}
        self._first: dict[str, int] = {}
        self._again: list[tuple[int, int]] = []

    @property
    def given(self) -> Earlier:
        """What was given to messages without a time."""
        return self._earlier

    def add(self, index: int, message: Message) -> None:
        """Decode one message and merge it; what our own code fails on is set aside as such.

        One without a time is kept for `sit`, unless it got its second before.
        """
        try:
            place = address(message.topic)
            device = place.device
            opened = self.opened.get(device)
            if opened is None:
                if device and not self._welcomed(device):
                    self.ignored += 1
                    return
                opened = self._cache.open(device, place.group)
                if not place.fault:
                    self.opened[device] = opened
            said = self._read(message, opened.speaker, self._earlier)
            newest = said.newest
            may_repeat = newest is not None and newest[0] <= opened.edge
            if may_repeat and opened.repeats(said, message, self._earlier):
                said = self._read(message, opened.speaker, self._earlier)
            if said.timeless_key and (said.readings or said.events):
                if self._waits(index, message, said):
                    return
                at = (said.readings or said.events)[0].at
                self._seated(self._open(said), said, Seat(at))
            self._merge(message, said)
        except RegistryFault:
            raise
        except Exception as wrong:
            _log.exception("our own code failed on a message; it is in quarantine")
            self.rejects.append(our_fault(message, f"our own code failed: {type(wrong).__name__}"))

    def sit(self, sitting: Sitting) -> None:
        """Give messages without a time their seconds, and merge them; or have them wait."""
        sitting.later.clear()
        for device, items in self._timeless.items():
            opened = self.opened[device]
            new = []
            for item in items:
                known = sitting.given.get(item.index)
                if known is None:
                    new.append(item)
                else:
                    self._sat(opened, item, known)
            opened.expect(any(item.message.queued for item in new))
            found = seats(new, opened.before(), self._now, sitting.when_full)
            for item, seat in zip(new, found, strict=True):
                if seat is None:
                    sitting.later.append(item.index)
                else:
                    sitting.given[item.index] = seat
                    self._sat(opened, item, seat)
        waiting = set(sitting.later)
        sitting.later += [index for index, first in self._again if first in waiting]
        sitting.later.sort()

    def _waits(self, index: int, message: Message, said: Decoded) -> bool:
        """Keep a message without a time for `sit`. False: it got its second before."""
        opened, key = self._open(said), said.timeless_key
        if message.dup and key in self._first:
            self._again.append((index, self._first[key]))
            return True
        if message.dup and key in self._earlier:
            return False
        self._first[key] = index
        item = Timeless(index, message, said, opened.told_at)
        self._timeless.setdefault(said.device, []).append(item)
        return True

    def _sat(self, opened: Opened, item: Timeless, seat: Seat) -> None:
        self._seated(opened, item.said, seat)
        self._merge(item.message, at_seat(item.said, seat))

    def _seated(self, opened: Opened, said: Decoded, seat: Seat) -> None:
        opened.seated(seat.at, seat.crowded)
        self._earlier.note(said.timeless_key, seat)

    def _open(self, said: Decoded) -> Opened:
        opened = self.opened.get(said.device)
        if opened is None:
            opened = self.opened[said.device] = self._cache.open(said.device, said.group)
        return opened

    def readings(self) -> list[Reading]:
        """All readings of the batch, device by device."""
        return [reading for opened in self.opened.values() for reading in opened.readings]

    def merged(self, counts: Mapping[str, int]) -> None:
        """Values that one second claimed together with another, by device."""
        for device, count in counts.items():
            if device in self.opened:
                self.opened[device].merged(count)

    def pulses(self) -> list[Pulse]:
        """The new state of every device heard; fills in their touched days."""
        return [opened.close() for opened in self.opened.values()]

    def pulse_batch(
        self, pulses: list[Pulse], inbox: InboxMark | None, rejects: list[Quarantined]
    ) -> PulseBatch:
        """What to write of the batch."""
        opened = self.opened
        return PulseBatch(
            now=self._now,
            pulses=pulses,
            touched={device: state.days for device, state in opened.items() if state.days},
            groups={device: state.group for device, state in opened.items()},
            events=self.events,
            statuses=self.statuses,
            quarantined=rejects,
            inbox=inbox,
        )

    def _welcomed(self, device: str) -> bool:
        return device in self.opened or self._cache.welcomes(device)

    def _merge(self, message: Message, said: Decoded) -> None:
        if not said.group:
            self.rejects.extend(said.rejects)
            return
        opened = self._open(said)
        received_at = min(message.received_at, self._now)
        said = opened.believed(said, message, received_at)
        if said.rejects:
            self.rejects.extend(said.rejects)
        opened.hear(said, message, received_at)
        if said.events:
            self.events.extend(said.events)
        if said.status is not None:
            self.statuses.append(said.status)
