"""The nouns of runs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import EdgeSeen, Run, RunWhy

Confidence = Literal["high", "medium", "low"]
METER_TOLERANCE = 0.10
METER_RESOLUTIONS = 2
"""The meter bridges a gap when it moved by its length within 10 % or two resolutions. Common
practice, no source."""
ON = 1
STARTED = 2
STOPPED = 3
"""A point off or on, and an event of a start or a stop, in one array. Definition."""
HEARD = 4
TURNING = 5
NEW_START = 6
"""What is known while the running signal is missing: the device was heard, another channel has the
engine turning, or says that it stood or was cranked anew. Definition."""
MISSING_S = 180
"""A running signal missing for three minutes between two on readings splits no run: an engine that
stopped and was started again within them was hardly off. Common practice, no source."""
HEARD_S = 900
TURNING_S = 3600
"""So long a signal may be missing while its device is heard, and while another channel has the
engine turning: a channel may come more seldom than the others. Common practice, no source."""
STOPS = frozenset({"stopped", "shutdown", "emergency_stop"})


class RunRules(msgspec.Struct, frozen=True, kw_only=True):
    """Lengths in seconds: allowed gaps while standing and running, hold times on and off."""

    standing_gap_s: int
    running_gap_s: int
    hold_on_s: int = 0
    hold_off_s: int = 30

    def __post_init__(self) -> None:
        if self.standing_gap_s <= 0 or self.running_gap_s <= 0:
            raise ValueError("an allowed gap must be longer than 0 s")
        if self.hold_on_s < 0 or self.hold_off_s < 0:
            raise ValueError("a hold time cannot be below 0 s")

    @property
    def missing_s(self) -> int:
        """How far two on readings may lie apart with nothing heard between [s]."""
        return max(self.running_gap_s, MISSING_S + self.running_gap_s // 2)


class OpenRun(msgspec.Struct, frozen=True, kw_only=True):
    """A run whose end is not yet known. off_at, stop_at: a tentative end by reading, by event.

    heard_at, turning_at: since its last on reading the device was heard without longer silence, and
    another channel had the engine turning, up to there; stood: one said otherwise.
    energy_ws: watt seconds so far; load_at, load_kw: the newest load reading.
    """

    start: int
    start_seen: EdgeSeen
    start_earliest: int | None = None
    last_on_at: int
    off_at: int | None = None
    stop_at: int | None = None
    longest_gap_s: int = 0
    bridged: bool = False
    readings: int = 0
    heard_at: int | None = None
    turning_at: int | None = None
    stood: bool = False
    energy_ws: int | None = None
    peak_load_kw: float | None = None
    load_at: int | None = None
    load_kw: float = 0.0
    why: RunWhy = "unknown"
    confidence: Confidence = "low"


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """On readings that have not yet lasted for the on hold time."""

    start: int
    seen: EdgeSeen
    earliest: int | None
    readings: int = 0
    longest_gap_s: int = 0


class RunsCarry(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Open state: the newest signal point, the open run, and a `started` event not yet seen on."""

    last_at: int | None = None
    last_on: bool = False
    run: OpenRun | None = None
    candidate: Candidate | None = None
    started_at: int | None = None


@dataclass(frozen=True, slots=True)
class Meter:
    """Accepted hour meter readings: t UTC seconds rising, h [h] gained since the first of them."""

    t: NDArray[np.int64]
    h: NDArray[np.float64]
    resolution_h: float


@dataclass(frozen=True, slots=True)
class Company:
    """What was known while the running signal was missing: t [UTC s] rising, kind HEARD, TURNING or
    NEW_START."""

    t: NDArray[np.int64]
    kind: NDArray[np.int8]


@dataclass(slots=True)
class State:
    rules: RunRules
    meter: Meter | None
    last_at: int | None
    last_on: bool
    run: OpenRun | None
    candidate: Candidate | None
    started_at: int | None
    done: list[Run] = field(default_factory=list)
    begun: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Found:
    """Runs whose end became known, starts of the runs that began, and the open state."""

    runs: tuple[Run, ...]
    begun: tuple[int, ...]
    carry: RunsCarry
