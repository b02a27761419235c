"""The nouns of a battery's day: what it says, what is open. Volts are of the battery as it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from fleet.model import Series


class Rest(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Volts of the longest rest of the day, at its end: at [UTC s], rested_s without charge, crank
    and run. mains: on (1) or off (0) then, -1 not wired."""

    at: int
    v: float
    rested_s: int
    mains: int = -1


class AfterRun(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Median volts 1 to 6 h after a run of at least 15 min, and in the run itself (None: not seen)."""

    end: int
    v: float
    run_v: float | None = None


class BatteryDay(msgspec.Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """One day's volts of a standing set: 12 h after a run or later, the mains not off.

    n: readings; low_v, mid_v (median), high_v, high_at: when it was highest; lifted: share of the
    readings at 13.0 V or more (twice on 24 V). cranks: (when, the air then [C]) of its starts.
    """

    n: int = 0
    low_v: float | None = None
    mid_v: float | None = None
    high_v: float | None = None
    high_at: int | None = None
    lifted: float = 0.0
    rest: Rest | None = None
    after_run: AfterRun | None = None
    cranks: tuple[tuple[int, float], ...] = ()


class Count(msgspec.Struct, frozen=True, kw_only=True):
    """A limit exceeded without a break: since, newest reading, and seconds watched."""

    since: int
    at: int
    s: int = 0


class BatteryCarry(msgspec.Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """Open state: newest run (end, length), newest reading, end of the newest charge or crank, and
    limits that are exceeded."""

    ran_at: int | None = None
    ran_s: int = 0
    at: int | None = None
    quiet_at: int | None = None
    under: Count | None = None
    over: Count | None = None


@dataclass(frozen=True, slots=True)
class WatchedBattery:
    """One day of a battery, in time order. gap_s: longest silence that is none, standing.

    runs: [start, end); cranks: moments; mains: (since, on) of each spell; afresh: another device
    began to speak.
    """

    volts: Series
    air_c: Series
    runs: Sequence[tuple[int, int]]
    cranks: Sequence[int]
    mains: Sequence[tuple[int, bool]]
    nominal_v: float
    gap_s: int
    afresh: bool = False
