"""What due work is reckoned from, and what comes of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Literal

from fleet.calendar import local_date

DoneBy = Literal["task", "register", "begin"]
State = Literal["late_beyond", "late", "due", "soon", "later", "unknown"]
RANK: dict[str, int] = {
    "late_beyond": 0,
    "late": 1,
    "due": 2,
    "soon": 3,
    "later": 4,
    "unknown": 5,
}
"""The more pressing first. Definition."""


def as_shown(at: int, shown_h: float) -> float:
    """Hours [h] of a meter that was never replaced: what it showed.

    Gives: [h]. Definition.
    """
    return shown_h


@dataclass(frozen=True, slots=True)
class Situation:
    """What due work is reckoned from. Hours in [h], moments in UTC seconds.

    hours_at answers the engine hours at a past moment, None where they are not known; engine_hours
    says them of what the engine's own meter showed at a moment (it may have been replaced since).
    last_service, last_service_h: the register's words, for tasks without a record of their own.
    make, model, fuel: of the set, for kits and for tasks of one fuel.
    strict: bound by a code or a warranty, so late by anything is late beyond tolerance.
    """

    unit: str
    zone: str
    now: int
    hours_now_h: float | None
    hours_at: Callable[[int], float | None]
    begun_on: date | None = None
    begun_h: float | None = None
    last_service: date | None = None
    last_service_h: float | None = None
    make: str = ""
    model: str = ""
    fuel: str | None = None
    strict: bool = False
    engine_hours: Callable[[int, float], float] = as_shown

    @property
    def today(self) -> date:
        return local_date(self.now, self.zone)


@dataclass(frozen=True, slots=True)
class Done:
    """When a task was last done, or what stands in for that."""

    on: date | None
    hours_h: float | None
    by: DoneBy


@dataclass(frozen=True, slots=True)
class ByHours:
    """base_h: hours the interval counts from; at_h: hours at which it is due."""

    base_h: float
    at_h: float
    now_h: float

    @property
    def used_h(self) -> float:
        return max(0.0, self.now_h - self.base_h)

    @property
    def share(self) -> float:
        return self.used_h / max(self.at_h - self.base_h, 1e-9)

    @property
    def over_h(self) -> float:
        return self.now_h - self.at_h


@dataclass(frozen=True, slots=True)
class ByCalendar:
    base: date
    on: date
    today: date

    @property
    def share(self) -> float:
        return (self.today - self.base).days / max((self.on - self.base).days, 1)

    @property
    def over_days(self) -> int:
        return (self.today - self.on).days
