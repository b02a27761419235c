"""When a value out of its limits is met, and when it has ended (docs/engineering/defaults.md#delays).

The on-delay begins with the first value at or beyond the limit and runs on until a value passes
the clear limit; it is met 60 s later at the earliest, by a second value at or beyond. It ends when
values beyond the clear limit have stood for 5 min, at least two in a row. The clear limit lies 2 %
of the limit back, but never beyond half the way to nominal. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.defaults import (
    LIMIT_CLEAR_SHARE,
    LIMIT_OFF_S,
    LIMIT_OFF_SAMPLES,
    LIMIT_ON_S,
    LIMIT_ON_SAMPLES,
)
from scheduler.rules.supply.supply_record import Band, Delay, OutSpell, Trouble


@dataclass(frozen=True, slots=True)
class Limits:
    """A range and the range to come back into. on_s, on_n: the on-delay."""

    low: float
    high: float
    clear_low: float
    clear_high: float
    on_s: int = LIMIT_ON_S
    on_n: int = LIMIT_ON_SAMPLES


def of_band(band: Band) -> Limits:
    """The delays' limits of a band: back 2 % of the limit, at most half the way to nominal.

    Gives: a record in the band's unit, volts [V] or hertz [Hz]. Common practice, no source.
    """
    back = LIMIT_CLEAR_SHARE
    return Limits(
        low=band.low,
        high=band.high,
        clear_low=min(band.low * (1 + back), (band.low + band.nominal) / 2),
        clear_high=max(band.high * (1 - back), (band.high + band.nominal) / 2),
    )


def over(limit: float, on_s: int = LIMIT_ON_S, on_n: int = LIMIT_ON_SAMPLES) -> Limits:
    """Limits of a quantity that may not reach `limit`, cleared 2 % below it; on_s, on_n: the
    on-delay.

    Gives: a record in the limit's unit. Common practice, no source.
    """
    return Limits(-np.inf, limit, -np.inf, limit * (1 - LIMIT_CLEAR_SHARE), on_s, on_n)


def walk(
    kind: Trouble,
    t: NDArray[np.int64],
    v: NDArray[np.float64],
    limits: Limits,
    before: Delay | None,
) -> tuple[Delay | None, tuple[OutSpell, ...]]:
    """(the delay that is open after these values, troubles that ended). t rising, UTC s.

    v: values in the limits' unit. The head of this module says when a trouble is met and when it
    ends.

    Gives: records in UTC seconds [UTC s], the worst in the limits' unit. Common practice, no
    source.
    """
    beyond = (v >= limits.high) | (v <= limits.low)
    if len(t) == 0 or (before is None and not beyond.any()):
        return before, ()
    clear = (v < limits.clear_high) & (v > limits.clear_low)
    state, ended = before, []
    first = 0 if before is not None else int(np.argmax(beyond))
    rows = zip(
        t[first:].tolist(),
        v[first:].tolist(),
        beyond[first:].tolist(),
        clear[first:].tolist(),
        strict=True,
    )
    for at, value, is_beyond, is_clear in rows:
        if state is None:
            if is_beyond:
                state = Delay(since=at, last_at=at, worst=value, last=value)
        elif is_beyond:
            state = _more(state, at, value, limits)
        elif not is_clear:
            state = msgspec.structs.replace(state, last=value, back_at=None, back_n=0)
        elif state.met_at is None:
            state = None
        else:
            state, spell = _back(kind, state, at, value)
            if spell is not None:
                ended.append(spell)
    return state, tuple(ended)


def _more(state: Delay, at: int, value: float, limits: Limits) -> Delay:
    n = state.n + 1
    met = state.met_at
    if met is None and n >= limits.on_n and at - state.since >= limits.on_s:
        met = at
    worse = abs(value - _middle(limits)) > abs(state.worst - _middle(limits))
    return msgspec.structs.replace(
        state,
        n=n,
        met_at=met,
        last_at=at,
        last=value,
        back_at=None,
        back_n=0,
        worst=value if worse else state.worst,
    )


def _middle(limits: Limits) -> float:
    if np.isinf(limits.low):
        return 0.0
    return limits.low if np.isinf(limits.high) else (limits.low + limits.high) / 2


def _back(
    kind: Trouble, state: Delay, at: int, value: float
) -> tuple[Delay | None, OutSpell | None]:
    began = state.back_at if state.back_at is not None else at
    n = state.back_n + 1
    if n >= LIMIT_OFF_SAMPLES and at - began >= LIMIT_OFF_S:
        assert state.met_at is not None
        return None, OutSpell(
            kind=kind, since=state.since, met_at=state.met_at, until=began, worst=state.worst
        )
    return msgspec.structs.replace(state, last=value, back_at=began, back_n=n), None
