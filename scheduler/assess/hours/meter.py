"""The hour meter over all its lives, and whether it can be believed."""

from __future__ import annotations

from collections.abc import Sequence

from scheduler.assess.hours.gains import Gains
from scheduler.day import Day

STANDING_AT_LEAST_H = 1.0
STANDING_SHARE = 0.05
STANDING_WATCHED = 0.5
"""A meter that gained more than both while the engine was seen to stand is not used. Common
practice, no source."""


def meter_value(days: Sequence[Day], meter: Gains) -> float | None:
    """What the meter would show now had it never been reset, rolled over or replaced [h].

    None: no meter is reported. Its own value while it has had one life, else the value it began
    with and every rise since.

    Gives: [h]. Arithmetic.
    """
    metered = [day for day in days if day.carry.meter.max_h is not None]
    if not metered:
        return None
    newest_h = metered[-1].carry.meter.max_h
    lives = {day.carry.fitting for day in metered}
    odd = [e for day in days for e in day.meter if e.kind in ("reset", "roll_over")]
    if not odd and len(lives) == 1:
        return newest_h
    first = metered[0]
    begun = [e for e in first.meter if e.kind in ("reset", "roll_over")]
    if begun:
        return begun[0].before_h + meter.ending_from(begun[0].at)
    assert first.carry.meter.max_h is not None
    later = (rise.hours_h for day in days if day.day > first.day for rise in day.hours)
    return first.carry.meter.max_h + sum(later)


def gains_while_standing(days: Sequence[Day], meter: Gains) -> bool:
    """Whether the meter counts with the engine seen to stand (key-on meters).

    In automatic the key is on all day, so such a meter gains about as long as it was watched. Days
    on which it gained far less count for nothing: a coarse reporter can hide a run in between.

    Gives: yes or no. Common practice, no source.
    """
    standing = sum(
        day.rise_standing_h
        for day in days
        if day.rise_standing_h >= STANDING_WATCHED * day.standing_watched_s / 3600
    )
    return standing > STANDING_AT_LEAST_H and standing > STANDING_SHARE * meter.sums[-1]
