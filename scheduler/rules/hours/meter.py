"""How an hour meter is judged, what is kept of it overnight, and what a day says of it."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import HoursRise, MeterEvent
from scheduler.rules.hours.format_evidence import FormatEvidence


class MeterRules(msgspec.Struct, frozen=True, kw_only=True):
    """How an hour meter is judged (docs/engineering/hours.md#the-meter; common practice, no
    source).

    confirm_n, confirm_s: a changed level is believed after so many readings or seconds.
    resolution_h: taken for a meter not yet read, never above coarsest or below finest.
    near: a limit must be this near (a share of it) for a fall to be a roll-over; after a silence in
    which the meter could have got there, near_unseen on meters of at least long_h, and
    near_declared where its digits were declared.
    """

    confirm_n: int = 3
    confirm_s: int = 600
    resolution_h: float = 0.1
    finest_h: float = 0.01
    coarsest_h: float = 1.0
    near: float = 0.01
    near_unseen: float = 0.03
    near_declared: float = 0.10
    long_h: float = 5_000.0

    def __post_init__(self) -> None:
        if self.confirm_n < 2 or self.confirm_s <= 0:
            raise ValueError("one reading cannot confirm itself")
        if not 0 < self.finest_h <= self.resolution_h <= self.coarsest_h:
            raise ValueError("resolutions must rise: finest, assumed, coarsest, all above 0 h")
        if not 0 < self.near <= self.near_unseen <= self.near_declared < 0.5:
            raise ValueError("`near` is a share of the limit between 0 and 0.5")


RULES = MeterRules()


class MeterCarry(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Open state: the running maximum [h], the last accepted reading's time, readings in doubt.

    excess_s: by how much the rise has run ahead of the clock, at most two resolutions. format_evidence: how
    it seems to write its hours, until somebody declares it.
    """

    max_h: float | None = None
    at: int | None = None
    excess_s: float = 0.0
    resolution_h: float | None = None
    doubted: tuple[tuple[int, float], ...] = ()
    format_evidence: FormatEvidence = FormatEvidence()


@dataclass(frozen=True, slots=True)
class MeterDay:
    """Rises (cut at anchors and epochs), events, accepted points t [s] and h [h gained], carry."""

    rises: tuple[HoursRise, ...]
    events: tuple[MeterEvent, ...]
    t: NDArray[np.int64]
    h: NDArray[np.float64]
    resolution_h: float
    carry: MeterCarry
