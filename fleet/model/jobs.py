"""Work to be done at a place, who does it, and what must be known to be let in."""

from __future__ import annotations

import re
from typing import Any, Literal

import msgspec

_NUMBER = re.compile(r"\+?\d(?:[\s/().-]*\d){6,}")
"""Seven digits and more: what may be a telephone's number; common practice, no source."""

FoundBy = Literal["alert", "customer", "visit", "office", "plan"]
JobState = Literal[
    "open",
    "call_first",
    "waiting_part",
    "waiting_yes",
    "booked",
    "under_way",
    "part_done",
    "done",
    "billed",
    "dropped",
]
JOB_STATES: tuple[JobState, ...] = (
    "open",
    "call_first",
    "waiting_part",
    "waiting_yes",
    "booked",
    "under_way",
    "part_done",
    "done",
    "billed",
    "dropped",
)
"""In the order of the board."""
OPEN_STATES: frozenset[JobState] = frozenset(JOB_STATES[:7])
StepKind = Literal[
    "opened",
    "call",
    "called",
    "wait_part",
    "part_came",
    "ask",
    "said_yes",
    "book",
    "unbook",
    "begin",
    "stop",
    "part_done",
    "finish",
    "bill",
    "drop",
    "reopen",
    "note",
    "change",
    "tell",
    "pin",
    "unpin",
]
Half = Literal["morning", "afternoon"]
Wall = tuple[str, str]
"""Two wall-clock times, from and to: ("08:00", "17:00"); an end of 24:00 is midnight."""
Week = dict[int, tuple[Wall, ...]]
"""Weekday (Monday is 0) to the times of that day."""


class Promise(msgspec.Struct, frozen=True, kw_only=True):
    """What the customer was told: a local day and its half, or an appointment at a time.

    at: the appointment, UTC seconds; None: the half-day. agreed: asked for by the customer, so it
    stands; else told from a plan, and a later plan may have to tell it anew. times: how often one
    was given before.
    """

    day: str
    half: Half = "morning"
    at: int | None = None
    agreed: bool = False
    told_at: int = 0
    told_by: str = ""
    times: int = 0


class HandPin(msgspec.Struct, frozen=True, kw_only=True):
    """Put there by hand: this technician, this local day, beginning then (UTC seconds)."""

    technician: str
    day: str
    start: int


class Errand(msgspec.Struct, frozen=True, kw_only=True):
    """Where an errand leads: a name people know, and WGS 84 degrees."""

    name: str
    lat: float
    lon: float


class Job(msgspec.Struct, frozen=True, kw_only=True):
    """A piece of work. customer, site and unit "" : an errand of the office's own, to its `errand` place.

    origin: what it was made from, the same each time ("due:UNIT:TASK:..."); "" : taken by hand.
    symptom: in the caller's words. parts: name to amount. parts_on: local day the parts are in
    hand; "" where they are or none is needed. technician: the only one who may do it; "" : any
    with the skill. n: number of its newest step. minutes_used and parts_used: of all visits so
    far; None where nobody said. nothing: why nothing was done, where it ended so.
    """

    id: str
    title: str
    state: JobState = "open"
    found_by: FoundBy = "office"
    customer: str = ""
    site: str = ""
    unit: str = ""
    task: str = ""
    origin: str = ""
    symptom: str = ""
    caller: str = ""
    phone: str = ""
    opened_at: int = 0
    opened_by: str = ""
    urgent: bool = False
    safety: bool = False
    routine: bool = False
    due_on: str = ""
    sigma_days: float = 0.0
    interval_days: float = 182.0
    parts: dict[str, float] = {}
    parts_on: str = ""
    skill: str = ""
    minutes: int = 60
    minutes_used: int | None = None
    parts_used: dict[str, float] | None = None
    nothing: str = ""
    people: int = 1
    technician: str = ""
    promise: Promise | None = None
    pin: HandPin | None = None
    reason: str = ""
    errand: Errand | None = None
    n: int = 0

    @property
    def where(self) -> str:
        """Id of the place to go to: the site's, or one of its own for an errand; "" : nowhere."""
        return self.site or (f"errand-{self.id}" if self.errand else "")

    @property
    def public_title(self) -> str:
        """Its title for calendars and exports: a number that may be a telephone's is left out."""
        return _NUMBER.sub("…", self.title)


class JobStep(msgspec.Struct, frozen=True, kw_only=True):
    """One step of a job's life; appended, never changed. state: the one it led to."""

    job: str
    n: int
    at: int
    by: str
    kind: StepKind
    state: JobState
    note: str = ""
    facts: dict[str, Any] = {}


class SkillHeld(msgspec.Struct, frozen=True):
    """A skill and the last local day it is valid; "" : for good."""

    name: str
    until: str = ""


class Leave(msgspec.Struct, frozen=True):
    """Away from the first to the last local day, both of them."""

    first: str
    last: str
    why: str = ""


class Technician(msgspec.Struct, frozen=True, kw_only=True):
    """Who drives. person: the one who signs in for it; "" : nobody. week: shifts by weekday.

    base: where the day begins and ends. stock: parts in the van.
    """

    id: str
    name: str
    lat: float
    lon: float
    time_zone: str = "UTC"
    person: str = ""
    base: str = ""
    phone: str = ""
    week: Week = {}
    lunch_min: int = 30
    reserve_min: int = 60
    overtime_min: int = 0
    skills: tuple[SkillHeld, ...] = ()
    leave: tuple[Leave, ...] = ()
    stock: dict[str, float] = {}
    active: bool = True


class SiteContact(msgspec.Struct, frozen=True):
    """Whom to call, in this order."""

    name: str
    phone: str
    note: str = ""


class SiteCard(msgspec.Struct, frozen=True, kw_only=True):
    """What one must know to be let in. The key and the codes are kept apart, encrypted.

    hours: when one is let in; empty: always. test_hours: when an engine may be run; empty: as
    hours. access_min: gate and sign-in. extra_min and toll: ferry or toll road, once an arrival.
    """

    site: str
    contacts: tuple[SiteContact, ...] = ()
    directions: str = ""
    parking: str = ""
    dogs: str = ""
    mains: str = ""
    hours: Week = {}
    test_hours: Week = {}
    access_min: int = 10
    extra_min: int = 0
    toll: float = 0.0
    over_water: bool = False
    has_codes: bool = False


class Contract(msgspec.Struct, frozen=True, kw_only=True):
    """What was agreed with a customer. on_stop: routine work is left out, safety goes on.

    warranty: unit to the last local day of its warranty. renewal: local day.
    """

    customer: str
    visits_a_year: int | None = None
    response_h: float | None = None
    renewal: str = ""
    on_stop: bool = False
    warranty: dict[str, str] = {}
