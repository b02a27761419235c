"""Who is told and who is woken: the rota, the waking table, how people are reached."""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet.model.notices import DeliveryMethod
from fleet.model.register import Criticality

Wake = Literal["wake", "morning"]
"""wake: at once, whatever the hour; morning: when the quiet hours of the holder of the duty phone
are over."""


class QuietHours(msgspec.Struct, frozen=True, kw_only=True):
    """When a person is told of nothing but what wakes: from one time on the wall to another (HH:MM),
    past midnight where the second is the earlier one. The default is common practice, no source."""

    begins: str = "20:00"
    ends: str = "06:30"


StaffRole = Literal["owner", "office", "technician"]
"""What a person of the firm is there; the order in which they are asked where there is no rota."""


class Contact(msgspec.Struct, frozen=True, kw_only=True):
    """A person who can be told. ways: how, the preferred first; zone: where the wall of the person's
    quiet hours is; '' = that of the rota."""

    person: str
    name: str
    role: StaffRole = "technician"
    ways: tuple[DeliveryMethod, ...] = ()
    zone: str = ""
    quiet: QuietHours = QuietHours()


class Swap(msgspec.Struct, frozen=True, kw_only=True):
    """Another holder from the handover of one local date to that of another (ISO dates)."""

    from_on: str
    to_on: str
    person: str


class Rota(msgspec.Struct, frozen=True, kw_only=True):
    """Whose week it is. people: ids in their order, a week each, the first from `start` on.

    start: local ISO date of a handover; handover: local time; both in `zone`. After escalate_s
    without an answer the next in line is told too. last: who is told after everybody else.
    """

    people: tuple[str, ...] = ()
    start: str = "2026-01-05"
    handover: str = "08:00"
    zone: str = "UTC"
    swaps: tuple[Swap, ...] = ()
    escalate_s: int = 900
    last: str = ""


WakingMains = Literal["off", "on", "not_sensed"]
"""The mains at the site as the waking table asks for it. on: healthy, or not known to be off;
not_sensed: nothing there tells of the mains."""


class WakingRow(msgspec.Struct, frozen=True, kw_only=True):
    """One row of the waking table. concern: see `scheduler.alarms.waking`; '' = any."""

    concern: str
    criticality: Criticality
    mains: WakingMains
    wake: Wake


class Waking(msgspec.Struct, frozen=True, kw_only=True):
    """The waking table: what differs from the default."""

    rows: tuple[WakingRow, ...] = ()


MarkWord = Literal["right", "wrong", "known"]


class Mark(msgspec.Struct, frozen=True, kw_only=True):
    """What a person thought of an alert. customer_first: the customer knew before we did."""

    episode: str
    at: int
    by: str
    mark: MarkWord
    customer_first: bool = False


CallOutcome = Literal[
    "mine", "no_answer", "left_message", "has_power", "no_power", "van_sent", "written"
]
"""written: the customer was written to."""


class Call(msgspec.Struct, frozen=True, kw_only=True):
    """A call about an alert or an outage, and what came of it. id: made where it was written."""

    id: str
    episode: str
    unit: str = ""
    at: int
    by: str
    outcome: CallOutcome
    note: str = ""
