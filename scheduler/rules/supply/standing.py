"""Whether a second signal says that the engine turns or stands, at the times volts were read.

Volts on the set's side are no witness to themselves: only signals other than AC count. On a set
whose volts are its only running signal, volts while standing cannot be told from a run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.model import Series, SignalChannel

EXTRAS = (SignalChannel("running", 1.0, 0.5), SignalChannel("speed_rpm", 300.0, 100.0))
"""Channels that tell of turning besides the running signal. Common practice, no source."""
TURNS_ONLY = SignalChannel("oil_pressure_kpa", 100.0, 50.0)
"""Oil pressure tells that an engine turns; its lack tells nothing (a sender may be dead). Common
practice, no source."""
START_SIGN_S = 300
"""Volts that came up within so long after a crank are a run whose other signal failed. Common
practice, no source."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Turning:
    """At each time: known to turn, known to stand. told: any second signal is there at all.

    surely: it stands by a signal that does not come from the set's own charging output, which can
    fail while the engine turns.
    """

    turns: Mask
    stands: Mask
    surely: Mask
    told: bool


def turning(
    t: NDArray[np.int64],
    series: Mapping[str, Series],
    parts: Sequence[SignalChannel],
    standing_s: int,
    running_s: int,
    on_change: bool,
) -> Turning:
    """Whether a second signal says, at each time of t, that the engine turns or stands.

    parts: the channels of the running signal. standing_s, running_s: longest silence of a value.
    on_change: an on-change device, whose last value goes on. Between the thresholds of a channel it says
    nothing; so does a channel before its first value of the day.

    Gives: yes or no for each. Common practice, no source.
    """
    turns, stands, surely = (np.zeros(len(t), np.bool_) for _ in range(3))
    own = [part for part in parts if not electric(part.channel)]
    names = {part.channel for part in own}
    told = False
    for part in (*own, *(extra for extra in EXTRAS if extra.channel not in names)):
        one = series.get(part.channel)
        if one is not None and len(one):
            told = True
            on, off = _state(part, one, t, standing_s, running_s, on_change)
            turns |= on
            stands |= off
            if part.channel != "charge_v":
                surely |= off
    oil = series.get(TURNS_ONLY.channel)
    if oil is not None and len(oil):
        turns |= _state(TURNS_ONLY, oil, t, standing_s, running_s, on_change)[0]
    return Turning(turns, stands & ~turns, surely & ~turns, told)


def electric(channel: str) -> bool:
    """Read on the set's own circuit, and so no second witness to its volts.

    Gives: yes or no. Definition.
    """
    return channel.startswith("ac_") or channel in ("frequency_hz", "load_kw", "current_a")


def _state(
    part: SignalChannel,
    one: Series,
    t: NDArray[np.int64],
    standing_s: int,
    running_s: int,
    on_change: bool,
) -> tuple[Mask, Mask]:
    place = np.searchsorted(one.t, t, side="right") - 1
    safe = np.maximum(place, 0)
    value, age = one.v[safe], t - one.t[safe]
    on = (place >= 0) & (value >= part.on) & (on_change | (age <= running_s))
    off = (place >= 0) & (value <= part.off) & (on_change | (age <= standing_s))
    return on, off


def after_a_crank(t: NDArray[np.int64], live: Mask, signs: Sequence[int]) -> Mask:
    """Live volts of a stretch that began within five minutes after a sign of a start.

    signs: moments of cranks and starts told by events, counters and dips [UTC s], in any order.

    Gives: yes or no for each. Common practice, no source.
    """
    found = np.zeros(len(t), np.bool_)
    if not signs or not live.any():
        return found
    at = np.sort(np.array(signs, np.int64))
    began = live & ~np.concatenate(([False], live[:-1]))
    number = np.cumsum(began) - 1
    starts = t[began]
    place = np.searchsorted(at, starts, side="right") - 1
    near = (place >= 0) & (starts - at[np.maximum(place, 0)] <= START_SIGN_S)
    found[live] = near[number[live]]
    return found
