"""The nouns of start demands, and how controllers crank."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import DeviceEvent, EngineClass, Run, StartDemand

LAG_S = 60
"""A controller may raise its counter, or send its event, up to a minute late. Common practice, no
source."""
MISSABLE_RUN_S = 120
"""An engine that stops again within two minutes did not start in any useful sense. Common practice,
no source."""
METER_PROVES_H = 0.1
"""A meter at least this fine that did not move proves that no run worth the name was missed. Common
practice, no source."""


class CrankingCycle(msgspec.Struct, frozen=True, kw_only=True):
    """How a controller cranks: tries of crank_s seconds with rest_s between."""

    tries: int
    crank_s: int
    rest_s: int

    def __post_init__(self) -> None:
        if self.tries < 1 or self.crank_s < 1 or self.rest_s < 0:
            raise ValueError("a cranking cycle has a try of at least 1 s; a rest is not negative")

    @property
    def total_s(self) -> int:
        return self.tries * self.crank_s + (self.tries - 1) * self.rest_s


LARGE = CrankingCycle(tries=3, crank_s=15, rest_s=15)
"""Three cranks of at most 15 s, 15 s between: 75 s until the limiter ends it. Source: NFPA 110,
5.6.4.2, as specified in UFGS 16263A, 2.11.2."""
SMALL = CrankingCycle(tries=5, crank_s=6, rest_s=10)
"""Small retrofits: 3 to 5 tries of 3 to 6 s. Common practice, no source; the rest from memory."""


CYCLES: dict[EngineClass, CrankingCycle] = {
    "air_spark": SMALL,
    "air_diesel": SMALL,
    "liquid_spark": LARGE,
    "liquid_diesel": LARGE,
}


class OpenDemand(msgspec.Struct, frozen=True, kw_only=True):
    """A demand not yet answered.

    earliest, last_at: the attempts lie after / at or before them. counted: by the counter;
    cranks: events; dips: crank readings. run: it waits for the counter to tell who began it, a
    counter that was read_before its start; hand: the panel switch was out of automatic.
    hidden_s, risen_h: of the days before, once over midnight: the longest run that their
    stretches could hide, and what the hour meter gained over them (None: not read there).
    """

    at: int
    earliest: int
    last_at: int
    counted: int = 0
    cranks: int = 0
    dips: int = 0
    crank_s: float | None = None
    crank_min_v: float | None = None
    run: Run | None = None
    hand: bool = False
    read_before: bool = False
    look_again_at: int = 0
    hidden_s: int = 0
    risen_h: float | None = 0.0

    @property
    def attempts(self) -> int:
        return self.counted or self.cranks or self.dips

    @property
    def seen_by(self) -> tuple[str, ...]:
        ways = (("start_attempts", self.counted), ("crank", self.cranks), ("dip", self.dips))
        return tuple(way for way, n in ways if n)


class StartsCarry(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Open state. reports: how this fitting has told of attempts. answered_at: newest answer,
    which a counter read later may still be about; failed_at: newest `failed_to_start`."""

    reports: tuple[str, ...] = ()
    open: tuple[OpenDemand, ...] = ()
    answered_at: int | None = None
    failed_at: int | None = None


@dataclass(frozen=True, slots=True)
class Watched:
    """What could be seen on a day: signal points, the meter, and how often a set reports.

    t: points of the running signal; before_at: the newest one of the day before.
    meter_t, meter_h: accepted meter points. hides_s: the longest run that a stretch without
    longer gap can hide; gap_s: a longer stretch is a gap.
    """

    t: NDArray[np.int64]
    before_at: int | None
    meter_t: NDArray[np.int64]
    meter_h: NDArray[np.float64]
    resolution_h: float
    hides_s: int
    gap_s: int


@dataclass(frozen=True, slots=True)
class Begun:
    """A run that began; hand: the panel switch was out of automatic. read_before: the attempt
    counter is known to have been read before its start."""

    run: Run
    hand: bool = False
    read_before: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """Demands answered on this day in order of time, and the open state."""

    demands: tuple[StartDemand, ...]
    carry: StartsCarry


@dataclass(frozen=True, slots=True)
class Told:
    """What the device told of attempts on a day.

    rises: (earliest, at, n) of the counter; dips: (at, crank_min_v, crank_s); events of the day;
    cranked: (crank_min_v, crank_s) read in the second of a crank or failed_to_start event.
    counter_t: times of its readings; counter_from: when this fitting's counter was first read,
    as far as known (the newest reading of the day before, else the first of this one).
    """

    rises: Sequence[tuple[int, int, int]] = ()
    dips: Sequence[tuple[int, float | None, float | None]] = ()
    events: Sequence[DeviceEvent] = ()
    counter_t: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    counter_from: int | None = None
    cranked: Mapping[int, tuple[float | None, float | None]] = field(default_factory=dict)


@dataclass(slots=True)
class State:
    cycle_s: int
    margin_s: int
    told: Told
    watched: Watched
    reports: set[str]
    groups: list[OpenDemand]
    answered_at: int | None
    failed_at: int | None
    done: list[StartDemand] = field(default_factory=list)
    waiting: list[OpenDemand] = field(default_factory=list)
