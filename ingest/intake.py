"""Taking messages: understood, stored, noted in the registry; only then may they be acknowledged.

A crash anywhere repeats work, never skips it: writing is idempotent in the store and the registry.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence

import msgspec

from fleet.defaults import DUPLICATE_S
from fleet.ending import Fault, no_fault
from fleet.model import Quarantined, Reading
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.facts.rows import InboxMark, PulseBatch
from fleet.store.port import ReadingsRefused, Store, StoreFault, WriteResult
from ingest.cache import Cache
from ingest.gathering import Gathering
from ingest.sitting import Earlier, Sitting
from ingest.wire import Message, decode, our_fault

REJECTS_AT_ONCE = 1_000
"""Quarantined entries written in one transaction; an array can bring 10,000. A size of a batch."""

_NOTHING = WriteResult(0, 0)
_log = logging.getLogger(__name__)


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


class Intake(msgspec.Struct, frozen=True):
    """Where batches go, and when it is [s UTC]. fault: called with the name of a point on the way;
    kill tests end the process there."""

    store: Store
    registry: Registry
    cache: Cache
    now: int
    fault: Fault = no_fault


def take(
    batch: Sequence[Message],
    into: Intake,
    *,
    inbox: InboxMark | None = None,
    aside: Sequence[Quarantined] = (),
    sitting: Sitting | None = None,
) -> Taken:
    """Take a batch for good: when this returns, every message of it may be acknowledged, but
    those that `sitting` says are to be handed in again.

    inbox: progress to commit with it. aside: more to quarantine.
    sitting: for messages without a time; the same one when the same batch is handed in again.
    Raises StoreFault or RegistryFault where the store or registry cannot keep the batch now; then
    nothing may be acknowledged and the same messages are to be handed in again. A message that
    our own code fails on is found by halving and quarantined as our fault, provided that others
    get through; where none does, the fault is not the message's, and StoreFault is raised.
    """
    into.cache.refresh(into.registry)
    try:
        return _take(into, batch, inbox, aside, sitting)
    except (StoreFault, RegistryFault):
        raise
    except Exception as wrong:
        _log.exception("a batch of %d messages could not be taken; narrowing down", len(batch))
        taken, failing = _narrow(into, batch)
        if failing and len(failing) == len(batch):
            raise StoreFault(
                f"no message of the batch can be kept ({type(wrong).__name__}; see the log): "
                "nothing is acknowledged until that is mended"
            ) from wrong
        ours = [our_fault(m, "our own code failed on this message; see the log") for m in failing]
        return taken + _take(into, (), inbox, [*aside, *ours])


def _narrow(into: Intake, batch: Sequence[Message]) -> tuple[Taken, list[Message]]:
    """Take what can be taken, halving; returns the messages that cannot."""
    try:
        return _take(into, batch), []
    except (StoreFault, RegistryFault):
        raise
    except Exception:
        if len(batch) <= 1:
            return Taken(), list(batch)
    half = len(batch) // 2
    first, failing = _narrow(into, batch[:half])
    second, more = _narrow(into, batch[half:])
    return first + second, failing + more


def _take(
    into: Intake,
    batch: Sequence[Message],
    inbox: InboxMark | None = None,
    aside: Sequence[Quarantined] = (),
    sitting: Sitting | None = None,
) -> Taken:
    registry, now = into.registry, into.now
    sitting = sitting or Sitting()
    gathered = Gathering(into.cache, Earlier(registry, now - DUPLICATE_S), now, decode)
    gathered.rejects.extend(aside)
    for index, message in enumerate(batch):
        gathered.add(index, message)
    gathered.sit(sitting)
    given = gathered.given
    if given.seats or given.unsure:
        receipts = [(key, now) for key in given.seats]
        unscoped.note_receipts(registry, receipts, given.seats, given.unsure)
    into.fault("before_store")
    readings = gathered.readings()
    if sitting.ask:
        told = (reading.at for reading in readings if reading.clock == "device")
        sitting.told_at = max(told, default=None)
    kept = _keep(into, readings, gathered.rejects) if readings else _NOTHING
    gathered.merged(kept.shared)
    into.fault("after_store")
    pulses = gathered.pulses()
    rejects = gathered.rejects
    for start in range(0, len(rejects) - REJECTS_AT_ONCE, REJECTS_AT_ONCE):
        some = rejects[start : start + REJECTS_AT_ONCE]
        unscoped.pulse(registry, PulseBatch(now=now, quarantined=some))
    if pulses or rejects or inbox is not None:
        unscoped.pulse(registry, gathered.pulse_batch(pulses, inbox, rejects[-REJECTS_AT_ONCE:]))
    into.cache.keep(pulses, gathered.opened)
    into.fault("after_pulse")
    return Taken(
        messages=len(batch) - len(sitting.later),
        readings=len(readings),
        events=len(gathered.events),
        clashes=kept.clashes,
        quarantined=len(rejects),
        ours=sum(reject.ours for reject in rejects),
        ignored=gathered.ignored,
    )


def _keep(into: Intake, readings: Sequence[Reading], rejects: list[Quarantined]) -> WriteResult:
    """Write; what this store can never keep goes to quarantine, the others are kept."""
    try:
        return into.store.write(readings)
    except ReadingsRefused as refused:
        poison = {(reading.device, reading.at) for reading in refused.readings}
        others = [r for r in readings if (r.device, r.at) not in poison]
        if len(others) == len(readings):
            raise
        rejects += [
            Quarantined(
                device=reading.device,
                topic="",
                received_at=into.now,
                reason=f"the store cannot keep it: {refused}",
                payload=msgspec.json.encode(reading),
            )
            for reading in refused.readings
        ]
    return _keep(into, others, rejects) if others else _NOTHING
