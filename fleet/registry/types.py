"""What goes into and comes out of the registry, beside the nouns of `fleet.model`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import msgspec

from fleet.model import (
    Calibration,
    Condition,
    Customer,
    DeviceEvent,
    DueItem,
    Episode,
    Fitting,
    Habit,
    Notice,
    Pulse,
    Quarantined,
    Readiness,
    Record,
    ServicePlan,
    Severity,
    Site,
    Status,
    Step,
    Unit,
    UnitSummary,
)


class RegistryFault(Exception):
    """The registry refused something that waiting will not mend. Says what and what to do."""


class RegistryDown(RegistryFault):
    """The registry cannot be read or written now (locked, disk full, server away): try again."""


class OutOfScope(Exception):
    """Asked for what the Scope does not see at all. Says who may."""


class Place(Protocol):
    """Whatever says where the registry is kept; `fleet.settings.Settings` does."""

    @property
    def registry_url(self) -> str: ...

    @property
    def registry_file(self) -> Any: ...


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


class UnitTouch(msgspec.Struct, frozen=True, kw_only=True):
    """A unit to compute again. days: (UTC day, onward, seq); onward: that day and all after it.

    seq is a token: hand it back unchanged so that a touch made meanwhile is not cleared.
    """

    unit: str
    days: tuple[tuple[int, bool, int], ...]
    priority: bool = False


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


class DayRow(msgspec.Struct, frozen=True, kw_only=True):
    """A derived day of a unit: its document, and the fingerprint of what it was made from."""

    unit: str
    day: int
    fingerprint: str
    carry_in: str
    doc: bytes


class AlertChanges(msgspec.Struct, frozen=True, kw_only=True):
    """What one look makes of alerts, whoever they are about: a unit, an outage, the service.

    opened: new episodes; steps: new steps (those inside `opened` need not be repeated).
    notices: what people are told of these steps; withdrawn: episodes whose notices that have not
    left yet need not any more.
    """

    opened: Sequence[Episode] = ()
    steps: Sequence[Step] = ()
    notices: Sequence[Notice] = ()
    withdrawn: Sequence[str] = ()


class UnitTurn(msgspec.Struct, frozen=True, kw_only=True):
    """What one turn of watch found about one unit.

    touches: as read, (day, onward, seq), to be cleared where seq is unchanged.
    days to write and drop_days to delete; others stay. due replaces all due items of the unit.
    alerts: of the unit's alerts. facts_seq: as read with the inputs.
    """

    unit: str
    customer: str
    touches: tuple[tuple[int, bool, int], ...] = ()
    days: list[DayRow] = []
    drop_days: list[int] = []
    assessment: bytes = b""
    look_again_at: int
    summary: UnitSummary
    due: list[DueItem] = []
    alerts: AlertChanges = AlertChanges()
    facts_seq: int


class ListedRecord(msgspec.Struct, frozen=True, kw_only=True):
    """A record and, where it was corrected, the id of the record that did so."""

    record: Record
    superseded_by: str | None = None


class QuarantineRow(msgspec.Struct, frozen=True, kw_only=True):
    """A quarantined message; size: bytes of the payload as received (16 kB of it are kept)."""

    id: int
    item: Quarantined
    size: int


class QuarantineCount(msgspec.Struct, frozen=True, kw_only=True):
    """How many messages of a device were set aside on a UTC day; over: counted, not kept."""

    device: str
    day: int
    kept: int
    over: int


class Counts(msgspec.Struct, frozen=True, kw_only=True):
    """Units by condition, by gravest finding ('' = none) and by readiness. not_assessed: too new.

    silent: of the unknown, those that do not report; the others, and those not assessed, are too
    new.
    """

    units: int
    by_condition: dict[Condition, int]
    by_severity: dict[Severity | str, int]
    not_assessed: int
    by_readiness: dict[Readiness, int] = {}
    silent: int = 0

    @property
    def too_new(self) -> int:
        """Unknown without being silent: never looked at, never heard, or not yet proven."""
        judged = sum(self.by_readiness.values())
        return self.units - judged + self.by_readiness.get("unknown", 0) - self.silent


class HealthFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What the Health page says of the service itself. Times in UTC seconds."""

    heartbeats: dict[str, tuple[int, dict[str, Any]]]
    inbox: tuple[InboxMark, ...]
    units: int
    devices: int
    unregistered: int
    devices_ignored: int
    touches_device: int
    touches_unit: int
    oldest_touch_at: int | None
    newest_heard_at: int | None
    open_episodes: int
    quarantined: int
    quarantined_over: int
    facts_version: int


class RowProblem(msgspec.Struct, frozen=True, kw_only=True):
    """What is wrong with one row of an import. row: 1 = first row after the heading."""

    row: int
    column: str
    value: str
    message: str

    def __str__(self) -> str:
        where = f"row {self.row}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.message}"


class RowChange(msgspec.Struct, frozen=True, kw_only=True):
    """What one row of an import did. columns: those that changed; none where it is new."""

    row: int
    id: str
    new: bool = False
    columns: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"row {self.row}, {self.id}: " + ("new" if self.new else ", ".join(self.columns))


class ImportReport(msgspec.Struct, frozen=True, kw_only=True):
    """What an import did. Nothing was written where problems stand and `partial` was not asked.

    added, changed, unchanged: sets, plans, technicians or records; refused: rows, however many
    cells of each are wrong. changes: row by row, where the importer knows.
    """

    rows: int
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    refused: int = 0
    problems: tuple[RowProblem, ...] = ()
    notes: tuple[str, ...] = ()
    written: bool = True
    changes: tuple[RowChange, ...] = ()

    @property
    def ok(self) -> bool:
        """True when every row was taken."""
        return not self.problems
