"""Whether hours typed off an engine's own meter can be so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

READ_H = 1.0
"""A meter is read to the hour at worst, twice: so much more than the clock allows is forgiven.
Common practice, no source."""
SLIP_H = 0.1
"""One step of a meter with tenths; so much below the last reading is forgiven. Common practice, no
source."""
RECKONED_H = 5.0
RECKONED_SHARE = 0.10
RECKONED_S = 6 * 3600
"""Typed hours of the last 6 h that lie more than 5 h, and a tenth of what it ran since its meter was
read last, beside those reckoned are asked about. All of these: common practice, no source."""
Why = Literal["below", "too_fast", "above_later", "too_far_below_later", "reckoned"]


class Doubt(msgspec.Struct, frozen=True, kw_only=True):
    """Why typed hours are asked about: against which hours [h], read when (UTC seconds)."""

    why: Why
    typed_h: float
    known_h: float
    known_at: int


def doubt(
    anchors: Sequence[tuple[int, float]],
    at: int,
    typed_h: float,
    reckoned_h: float | None = None,
    reckoned_at: int = 0,
    uncertain_h: float = 0.0,
) -> Doubt | None:
    """Why hours `typed_h` [h] read at `at` (UTC seconds) can hardly be so; None where they can.

    anchors: (moment, hours) read off the meter before, in any order. An engine's hours never fall,
    and rise by no more than the clock. reckoned: what the set itself leads to expect at
    reckoned_at, give or take uncertain_h.
    """

    def because(why: Why, known: tuple[int, float]) -> Doubt:
        return Doubt(why=why, typed_h=typed_h, known_h=known[1], known_at=known[0])

    before = max((a for a in anchors if a[0] <= at), default=None)
    later = min((a for a in anchors if a[0] > at), default=None)
    if before is not None and typed_h < before[1] - SLIP_H:
        return because("below", before)
    if before is not None and typed_h > before[1] + (at - before[0]) / 3600 + READ_H:
        return because("too_fast", before)
    if later is not None and typed_h > later[1] + SLIP_H:
        return because("above_later", later)
    if later is not None and typed_h < later[1] - (later[0] - at) / 3600 - READ_H:
        return because("too_far_below_later", later)
    if reckoned_h is not None and abs(at - reckoned_at) <= RECKONED_S:
        ran = max(0.0, reckoned_h - before[1]) if before is not None else 0.0
        allowed = max(RECKONED_H, RECKONED_SHARE * ran, 3 * uncertain_h)
        if abs(typed_h - reckoned_h) > allowed:
            return because("reckoned", (reckoned_at, reckoned_h))
    return None
