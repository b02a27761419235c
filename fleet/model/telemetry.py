"""What devices say: readings, device events, births and last wills.

Every moment is whole UTC seconds (int); finer than a second lives only in an event's trace.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model.device_clock import NEW_CLOCK, DeviceClock

Clock = Literal["device", "local", "receipt", "corrected"]
"""How a reading's time was come by: the device's own; the device's without a zone (read in the
site's zone); the receipt time because the device gave no usable one; or the device's, put right by
what was learned of its clock."""

CLOCK_FORGOTTEN_S = 14 * 86_400
"""A device that gave no time for so long has no clock any more. Common practice, no source."""

HabitMode = Literal["steady", "on_change", "sleeping"]


class Habit(msgspec.Struct, frozen=True, kw_only=True):
    """How a device reports. All lengths in seconds."""

    mode: HabitMode = "steady"
    standing_s: int = 900
    running_s: int = 60
    heartbeat_s: int = 86_400
    source: Literal["default", "declared", "register", "learned"] = "default"


class Reading(msgspec.Struct, frozen=True):
    """The values one device gave for one second.

    `values` maps channel name to a finite float in the channel's unit, raw (uncalibrated).
    """

    device: str
    at: int
    values: dict[str, float]
    clock: Clock = "device"


EventName = Literal[
    "crank",
    "started",
    "failed_to_start",
    "stopped",
    "not_in_auto",
    "in_auto",
    "emergency_stop",
    "shutdown",
    "mains_lost",
    "mains_back",
    "over_voltage",
    "trace",
]


class DeviceEvent(msgspec.Struct, frozen=True, kw_only=True):
    """Something a device saw happen. Keyed by (device, at, event, channel)."""

    device: str
    at: int
    event: EventName
    channel: str = ""
    cause: str = ""
    values: dict[str, float] = {}
    step_s: float = 0.0
    samples: tuple[float, ...] = ()
    clock: Clock = "device"
    received_at: int = 0


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """A birth or a last will. `at` is the device's own time where it gave one, else None."""

    device: str
    state: Literal["online", "offline"]
    received_at: int
    retained: bool = False
    at: int | None = None
    firmware: str = ""
    habit: Habit | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """Values of one channel in time order: t int64 UTC seconds, v float64, same length, no NaN."""

    t: NDArray[np.int64]
    v: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.t)


@dataclass(frozen=True, slots=True)
class Window:
    """Buckets of one channel: `start` int64 seconds, the others float64 of the same length.

    An empty bucket has count 0 and NaN in minimum, maximum, mean and last.
    """

    start: NDArray[np.int64]
    width_s: int
    minimum: NDArray[np.float64]
    maximum: NDArray[np.float64]
    mean: NDArray[np.float64]
    last: NDArray[np.float64]
    count: NDArray[np.int64]


class Latest(msgspec.Struct, frozen=True):
    """The newest value of one channel of one device (raw)."""

    at: int
    value: float


class Delivery(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """Readings that came together: receipts of their first and last message, and the oldest and
    newest time that they carry [s UTC]; how long nothing had come before them (None: it is the first
    of its device), and how long the delivery before had kept back [s]."""

    at: int
    last_at: int
    oldest: int
    newest: int
    wait_s: int | None = None
    before_s: int = 0

    @property
    def held_s(self) -> int:
        """How long the first of them was kept back [s]: no clock needs to be right for it."""
        return max(0, (self.newest - self.oldest) - (self.last_at - self.at))


class Counts(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """What a message said of numbers that only rise: its number and engine hours [h], at `at`
    [s UTC]; None: it did not say."""

    at: int
    seq: int | None = None
    hours_h: float | None = None


class Speakers(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """Whether one device speaks under an id, or two (`ingest/speakers.py`).

    newest: counts of the newest message; other: the newest of those that it does not go on from.
    returns: how often a message went on from `other`; returned_at: receipt of the newest such;
    apart_s: the longest between two of them [s]. since: since when there seem to be two [s UTC].
    """

    newest: Counts
    other: Counts | None = None
    returns: int = 0
    returned_at: int = 0
    apart_s: int = 0
    since: int | None = None


class Pulse(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What is known of a device without reading the store.

    heard_at: receipt of the newest message that was not retained; newest_at: newest reading time.
    seat_at: newest second given to a message without a time. unsure_after: the device was heard
    for certain at that moment, and since then only by messages of unknown time; None: live.
    clock_told_at: receipt of the newest message that gave a time, right or wrong; None: it never
    gave one, so it has no clock that could be wrong. untimed_since, untimed_at: receipts of the
    first and the newest message without a time since it gave one last. puzzling_since, puzzling_at:
    receipts of the first and the newest message of which nothing could be understood since the last
    one that was; such a message is not heard.
    speakers: whether two devices seem to speak under the id; None: nothing it says would tell.
    delivery: the newest; deliveries: the newest after a while without any, where one of them kept
    readings back (ingest/deliveries.py). Empty of a device that sends one by one.
    clock: what was learned of its clock. stamp_s, stamp_says: digits of the stamp of its newest
    single message, taken as UTC [s], and a checksum of that message.
    month, month_b: UTC month as 12 x year + month - 1, and bytes received in it.
    """

    device: str
    heard_at: int | None = None
    newest_at: int | None = None
    latest: dict[str, Latest] = {}
    online: bool | None = None
    status_at: int | None = None
    firmware: str = ""
    habit: Habit | None = None
    next_due_at: int | None = None
    clock_wrong_since: int | None = None
    clock_wrong_at: int | None = None
    forgiven: dict[str, int] = {}
    unknown: dict[str, str] = {}
    sequence_gaps: int = 0
    last_seq: int | None = None
    seat_at: int | None = None
    unsure_after: int | None = None
    clock_told_at: int | None = None
    untimed_since: int | None = None
    untimed_at: int | None = None
    puzzling_since: int | None = None
    puzzling_at: int | None = None
    delivery: Delivery | None = None
    deliveries: tuple[Delivery, ...] = ()
    clock: DeviceClock = NEW_CLOCK
    stamp_s: int | None = None
    stamp_says: int = 0
    speakers: Speakers | None = None
    month: int = 0
    month_b: int = 0

    @property
    def two_devices(self) -> bool:
        """Two devices seem to speak under this id."""
        return self.speakers is not None and self.speakers.since is not None

    @property
    def clockless(self) -> bool:
        """The device sends no time at all: the time of receipt is the best there is."""
        return without_clock(self.clock_told_at, self.untimed_since, self.untimed_at)


def without_clock(told_at: int | None, since: int | None, at: int | None) -> bool:
    """Whether a device has no clock: messages without a time came, and it never gave one, or none
    for 14 days of such messages. told_at, since, at: as `Pulse` has them [s UTC]."""
    if since is None or at is None:
        return False
    return told_at is None or at - since >= CLOCK_FORGOTTEN_S


class Unsure(msgspec.Struct, frozen=True):
    """A reading whose time is not known: it stands at second `at`, and was measured after
    `after_at` (None: nothing was heard before) and by `before_at`, its receipt [s UTC]."""

    device: str
    at: int
    after_at: int | None
    before_at: int


class Quarantined(msgspec.Struct, frozen=True, kw_only=True):
    """Something from a device that could not be taken, kept with its reason."""

    device: str
    topic: str
    received_at: int
    reason: str
    payload: bytes
    ours: bool = False
    """True when our own code failed on it: a fault of ours, not of the device."""


def no_series() -> Series:
    """An empty series."""
    return Series(np.empty(0, np.int64), np.empty(0, np.float64))


Facts = dict[str, Any]
"""Facts of a finding or record: JSON values, every quantity's name ending in its unit."""
