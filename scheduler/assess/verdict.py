"""The verdict on one unit, as a document."""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet import findings
from fleet.model import DueItem, EngineHours, Finding, Habit, MainsNow, ReadinessNow, UnitSummary
from scheduler.assess.ahead import Ahead
from scheduler.assess.starts import StartsSeen
from scheduler.rules.battery import BatterySeen
from scheduler.rules.exercise import (
    ByItself,
    Exercise,
    LightLoad,
    RunReason,
    UnderCode,
    YearHours,
)
from scheduler.rules.fuel import FuelSeen
from scheduler.rules.mains import Outage
from scheduler.rules.supply import SupplySeen

Blind = Literal["starts", "switch", "mains", "fuel", "charger", "hours", "volts", "transfer"]
"""What this unit's device does not report: it is "not seen", never good."""


class StartTally(msgspec.Struct, frozen=True, kw_only=True):
    """How the newest start demands ended; demands whose end was not seen are left out."""

    demands: int = 0
    started: int = 0
    failed: int = 0
    first_at: int | None = None
    last_at: int | None = None


class Assessment(msgspec.Struct, frozen=True, kw_only=True):
    """The verdict on one unit, with what it stands on. Lengths in seconds, hours in [h].

    habit: how the device reports (declared, from the register, learned or default).
    gap_s: longest silence that is no gap; silent_limit_s: silence after which it is not reporting.
    look_again_at: when the verdict may change though nothing arrives; never over an hour away.
    exercise: verdicts on the agreed exercise (None: none agreed). reasons: runs of 400 days that
    were exercises or began by itself, which a Day alone cannot say. years: hours by reason, this
    calendar year and the last. by_itself: the newest run that began by itself.
    starts: reliability and harder starting; ahead: how it is used, and what stands behind the
    likely dates. supply: volts and hertz with their bands, the last run, usual range and drift.
    """

    unit: str
    at: int
    summary: UnitSummary
    due: tuple[DueItem, ...] = ()
    findings: tuple[Finding, ...] = ()
    hours: EngineHours
    habit: Habit
    gap_s: int
    silent_limit_s: int
    look_again_at: int
    starts_50: StartTally = StartTally()
    blind: tuple[Blind, ...] = ()
    exercise: Exercise | None = None
    reasons: tuple[RunReason, ...] = ()
    years: tuple[YearHours, ...] = ()
    light_load: LightLoad | None = None
    code: UnderCode | None = None
    """NFPA 110's monthly exercise; None: no code requires this set to run."""
    by_itself: ByItself | None = None
    starts: StartsSeen = StartsSeen()
    ahead: Ahead = Ahead()
    supply: SupplySeen = SupplySeen()
    battery: BatterySeen = BatterySeen()
    mains: MainsNow = MainsNow()
    readiness: ReadinessNow | None = None
    fuel: FuelSeen = FuelSeen()
    outages: tuple[Outage, ...] = ()
    """Absences of the mains at its own site, oldest first, 400 days back."""


_ENCODER = msgspec.json.Encoder(order="deterministic")
_decode = findings.decoder(Assessment)


def encode(assessment: Assessment) -> bytes:
    """Canonical JSON: equal assessments give equal bytes.

    Gives: bytes. Definition.
    """
    return _ENCODER.encode(assessment)


def read(doc: bytes | None) -> Assessment | None:
    """A kept assessment; None where there is none, or one of another version's shape, as after an
    upgrade: the unit counts as not looked at until its next look, which writes a new one.

    Gives: a record, or none. Definition.
    """
    try:
        return _decode(doc) if doc else None
    except msgspec.DecodeError:
        return None
