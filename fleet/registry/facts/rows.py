"""Facts as they go into and come out of the registry, beside the nouns of `fleet.model`."""

from __future__ import annotations

import msgspec

from fleet.model import (
    Calibration,
    Customer,
    DeviceEvent,
    Fitting,
    Habit,
    Pulse,
    Quarantined,
    Record,
    ServicePlan,
    Site,
    Status,
    Unit,
)


class DeviceFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What ingest must know of a device.

    zone: IANA zone of the site it now speaks for, else UTC. registered: the office knows it.
    habit: as the register says (a declared one is in the pulse). unit: the one it is fitted to now.
    """

    device: str
    group: str = "main"
    zone: str = "UTC"
    registered: bool = False
    profile: str = ""
    habit: Habit | None = None
    unit: str | None = None
    pulse: Pulse | None = None


class InboxMark(msgspec.Struct, frozen=True, kw_only=True):
    """How far a file of the inbox has been taken. offset: bytes taken; size: bytes of the file."""

    file: str
    offset: int
    lines: int
    size: int
    done: bool = False


class PulseBatch(msgspec.Struct, frozen=True, kw_only=True):
    """Everything ingest writes in one go.

    now: receipt time of the batch [s UTC]. pulses: the full new state of each device.
    touched: device to UTC days with new readings, events or statuses. groups: device to group.
    receipts: (key, received_at) of timeless messages.
    """

    now: int
    pulses: list[Pulse] = []
    touched: dict[str, set[int]] = {}
    groups: dict[str, str] = {}
    events: list[DeviceEvent] = []
    statuses: list[Status] = []
    quarantined: list[Quarantined] = []
    receipts: list[tuple[str, int]] = []
    inbox: InboxMark | None = None


class UnitInputs(msgspec.Struct, frozen=True, kw_only=True):
    """All that is known of a unit but its telemetry and device events.

    fittings and calibrations in time order; records in time order without superseded ones;
    pulses of the devices fitted now. facts_seq rises with every change of these by a person.
    unsure: by device, seconds (rising) at which readings of unknown time stand.
    """

    unit: Unit
    site: Site
    customer: Customer
    fittings: tuple[Fitting, ...]
    calibrations: tuple[Calibration, ...]
    records: tuple[Record, ...]
    plan: ServicePlan | None
    pulses: tuple[Pulse, ...]
    facts_seq: int
    unsure: dict[str, tuple[int, ...]] = {}


class UnsureSpell(msgspec.Struct, frozen=True, kw_only=True):
    """Readings of unknown time that came together. They stand at first_at to last_at, and were
    measured after after_at (None: nothing was heard before) and by before_at [s UTC]."""

    readings: int
    first_at: int
    last_at: int
    after_at: int | None
    before_at: int


class ListedRecord(msgspec.Struct, frozen=True, kw_only=True):
    """A record and, where it was corrected, the id of the record that did so."""

    record: Record
    superseded_by: str | None = None


class QuarantineRow(msgspec.Struct, frozen=True, kw_only=True):
    """A quarantined message; size: bytes of the payload as received (16 kB of it are kept)."""

    id: int
    item: Quarantined
    size: int


class Refused(msgspec.Struct, frozen=True, kw_only=True):
    """How many kept messages of a device were set aside for one reason, and the newest of them."""

    reason: str
    messages: int
    newest: QuarantineRow


class QuarantineCount(msgspec.Struct, frozen=True, kw_only=True):
    """How many messages of a device were set aside on a UTC day; over: counted, not kept."""

    device: str
    day: int
    kept: int
    over: int
