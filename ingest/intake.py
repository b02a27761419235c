"""Taking messages: understood, stored, noted in the registry; only then may they be acknowledged.

A crash anywhere repeats work, never skips it: writing is idempotent in the store and the registry.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence

import msgspec

from fleet.defaults import DUPLICATE_S
from fleet.faults import Fault, no_fault
from fleet.model import DeviceEvent, Pulse, Quarantined, Reading, Status
from fleet.registry import work
from fleet.registry.engine import Registry
from fleet.registry.types import InboxMark, PulseBatch, RegistryFault
from fleet.store.port import ReadingsRefused, Store, StoreFault
from ingest.cache import Cache
from ingest.pulses import Opened
from ingest.wire import Decoded, Message, address, decode, our_fault

REJECTS_AT_ONCE = 1_000
"""Quarantined entries written in one transaction; an array can bring 10,000."""

_log = logging.getLogger(__name__)

"""Called with the name of a point on the way; kill tests end the process there."""


class Taken(msgspec.Struct, frozen=True):
    """What became of a batch, as counts. ignored: messages of unregistered devices over 1,000."""

    messages: int = 0
    readings: int = 0
    events: int = 0
    clashes: int = 0
    quarantined: int = 0
    ours: int = 0
    ignored: int = 0

    def __add__(self, other: Taken) -> Taken:
        return Taken(*(a + b for a, b in zip(astuple(self), astuple(other), strict=True)))


astuple = msgspec.structs.astuple


def take(
    batch: Sequence[Message],
    store: Store,
    registry: Registry,
    cache: Cache,
    now: int,
    *,
    fault: Fault = no_fault,
    inbox: InboxMark | None = None,
    aside: Sequence[Quarantined] = (),
) -> Taken:
    """Take a batch for good: when this returns, every message of it may be acknowledged.

    now: the present [s UTC]. inbox: progress to commit with it. aside: more to quarantine.
    Raises StoreFault or RegistryFault where the store or registry cannot keep the batch now; then
    nothing may be acknowledged and the same messages are to be handed in again. A message that
    our own code fails on is found by halving and quarantined as our fault, provided that others
    get through; where none does, the fault is not the message's, and StoreFault is raised.
    """
    cache.refresh(registry)
    way = _Way(store, registry, cache, now, fault)
    try:
        return _take(way, batch, inbox, aside)
    except (StoreFault, RegistryFault):
        raise
    except Exception as wrong:
        _log.exception("a batch of %d messages could not be taken; narrowing down", len(batch))
        taken, failing = _narrow(way, batch)
        if failing and len(failing) == len(batch):
            raise StoreFault(
                f"no message of the batch can be kept ({type(wrong).__name__}; see the log): "
                "nothing is acknowledged until that is mended"
            ) from wrong
        ours = [our_fault(m, "our own code failed on this message; see the log") for m in failing]
        return taken + _take(way, (), inbox, [*aside, *ours])


class _Way(msgspec.Struct, frozen=True):
    """Where a batch goes, and when."""

    store: Store
    registry: Registry
    cache: Cache
    now: int
    fault: Fault


def _narrow(way: _Way, batch: Sequence[Message]) -> tuple[Taken, list[Message]]:
    """Take what can be taken, halving; returns the messages that cannot."""
    try:
        return _take(way, batch), []
    except (StoreFault, RegistryFault):
        raise
    except Exception:
        if len(batch) <= 1:
            return Taken(), list(batch)
    half = len(batch) // 2
    first, failing = _narrow(way, batch[:half])
    second, more = _narrow(way, batch[half:])
    return first + second, failing + more


def _take(
    way: _Way,
    batch: Sequence[Message],
    inbox: InboxMark | None = None,
    aside: Sequence[Quarantined] = (),
) -> Taken:
    registry, now = way.registry, way.now
    gathered = _Gathering(way.cache, _Earlier(registry, now - DUPLICATE_S), now)
    gathered.rejects.extend(aside)
    for message in batch:
        gathered.add(message)
    if gathered.receipts:
        work.note_receipts(registry, gathered.receipts)
    way.fault("before_store")
    readings = gathered.readings()
    clashes = _keep(way, readings, gathered.rejects) if readings else 0
    way.fault("after_store")
    pulses = gathered.pulses()
    rejects = gathered.rejects
    for start in range(0, len(rejects) - REJECTS_AT_ONCE, REJECTS_AT_ONCE):
        some = rejects[start : start + REJECTS_AT_ONCE]
        work.pulse(registry, PulseBatch(now=now, quarantined=some))
    if pulses or rejects or inbox is not None:
        work.pulse(registry, gathered.pulse_batch(pulses, inbox))
    way.cache.keep(pulses, gathered.opened)
    way.fault("after_pulse")
    return Taken(
        messages=len(batch),
        readings=len(readings),
        events=len(gathered.events),
        clashes=clashes,
        quarantined=len(rejects),
        ours=sum(reject.ours for reject in rejects),
        ignored=gathered.ignored,
    )


def _keep(way: _Way, readings: Sequence[Reading], rejects: list[Quarantined]) -> int:
    """Write; what this store can never keep goes to quarantine, the others are kept. Clashes."""
    try:
        return way.store.write(readings).clashes
    except ReadingsRefused as refused:
        poison = {(reading.device, reading.at) for reading in refused.readings}
        others = [r for r in readings if (r.device, r.at) not in poison]
        if len(others) == len(readings):
            raise
        rejects += [
            Quarantined(
                device=reading.device,
                topic="",
                received_at=way.now,
                reason=f"the store cannot keep it: {refused}",
                payload=msgspec.json.encode(reading),
            )
            for reading in refused.readings
        ]
    return _keep(way, others, rejects) if others else 0


class _Gathering:
    """What a batch said, sorted by where it goes."""

    def __init__(self, cache: Cache, earlier: _Earlier, now: int) -> None:
        self._cache = cache
        self._earlier = earlier
        self._now = now
        self.opened: dict[str, Opened] = {}
        self.events: list[DeviceEvent] = []
        self.statuses: list[Status] = []
        self.rejects: list[Quarantined] = []
        self.ignored = 0

    @property
    def receipts(self) -> list[tuple[str, int]]:
        return list(self._earlier.given.items())

    def add(self, message: Message) -> None:
        """Decode one message and merge it; what our own code fails on is set aside as such."""
        try:
            device = address(message.topic).device
            if device and not self._welcomed(device):
                self.ignored += 1
                return
            said = decode(message, self._cache.speaker(device), self._earlier)
            self._merge(message, said)
        except RegistryFault:
            raise
        except Exception as wrong:
            _log.exception("our own code failed on a message; it is in quarantine")
            self.rejects.append(our_fault(message, f"our own code failed: {type(wrong).__name__}"))

    def readings(self) -> list[Reading]:
        """All readings of the batch, device by device."""
        return [reading for opened in self.opened.values() for reading in opened.readings]

    def pulses(self) -> list[Pulse]:
        """The new state of every device heard; fills in their touched days."""
        return [opened.close() for opened in self.opened.values()]

    def pulse_batch(self, pulses: list[Pulse], inbox: InboxMark | None) -> PulseBatch:
        opened = self.opened
        return PulseBatch(
            now=self._now,
            pulses=pulses,
            touched={device: state.days for device, state in opened.items() if state.days},
            groups={device: state.group for device, state in opened.items()},
            events=self.events,
            statuses=self.statuses,
            quarantined=self.rejects[-REJECTS_AT_ONCE:],
            inbox=inbox,
        )

    def _welcomed(self, device: str) -> bool:
        return device in self.opened or self._cache.welcomes(device)

    def _merge(self, message: Message, said: Decoded) -> None:
        if said.rejects:
            self.rejects.extend(said.rejects)
        if not said.group:
            return
        if said.timeless_key:
            self._earlier.note(said.timeless_key, _receipt_time(said, message.received_at))
        opened = self.opened.get(said.device)
        if opened is None:
            opened = self.opened[said.device] = self._cache.open(said.device, said.group)
        opened.hear(said, min(message.received_at, self._now), message.retain)
        if said.events:
            self.events.extend(said.events)
        if said.status is not None:
            self.statuses.append(said.status)


class _Earlier(Mapping[str, int]):
    """Receipt times given to messages without a time: of this batch, else of the last 48 h."""

    def __init__(self, registry: Registry, since: int) -> None:
        self._registry = registry
        self._since = since
        self.given: dict[str, int] = {}

    def __getitem__(self, key: str) -> int:
        if key not in self.given:
            return work.find_receipts(self._registry, [key], self._since)[key]
        return self.given[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self.given)

    def __len__(self) -> int:
        return len(self.given)

    def note(self, key: str, at: int) -> None:
        """Remember the time a message was given, for its redelivery."""
        self.given[key] = at


def _receipt_time(said: Decoded, received_at: int) -> int:
    """The time that was given out for a message without one."""
    if said.readings:
        return said.readings[0].at
    return said.events[0].at if said.events else received_at
