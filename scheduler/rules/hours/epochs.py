"""Readings of an hour meter taken one by one: accepted, doubted, confirmed."""

from __future__ import annotations

from dataclasses import dataclass, field

from fleet.model import MeterEvent
from scheduler.rules.hours.meter import MeterRules

TEN_FROM, TWO_FROM = 3, 10
"""Meters roll over at 10^n hours from 1,000 on and at 2^n from 1,024 on. No meter is smaller.
Common practice, no source."""
MOST_EXPONENT_TEN, MOST_EXPONENT_TWO = 6, 24
"""Meters of more digits, or wider counters, are not looked for. Common practice, no source."""
REGISTER_BITS = (15, 16, 24, 31, 32)
"""Widths of the registers in which devices count steps of an hour, of a minute or of a second: one
of 16 bits that counts tenths begins again at 6,553.6 h. Common practice, no source."""


@dataclass(slots=True)
class State:
    """One day's readings as far as they were taken. h: hours gained [h]; breaks: where in it an
    epoch begins; per_h: what the device itself counts up by in an hour."""

    rules: MeterRules
    digits: int | None
    resolution: float
    max_h: float | None
    at: int
    excess_h: float
    per_h: int = 1
    gained: float = 0.0
    doubted: list[tuple[int, float]] = field(default_factory=list)
    t: list[int] = field(default_factory=list)
    h: list[float] = field(default_factory=list)
    breaks: list[int] = field(default_factory=list)
    events: list[MeterEvent] = field(default_factory=list)


def take(s: State, at: int, value: float) -> None:
    """Take the next reading (UTC s, [h]): accepted, refused, or in doubt with those before it.

    A rise above elapsed time and two resolutions is refused; a value lower by more than two
    resolutions is in doubt until three readings or 10 min confirm it.

    Gives: nothing, it changes the state. Common practice, no source.
    """
    if s.max_h is None:
        _new_epoch(s, at, value)
        return
    slack = 2 * s.resolution + 1e-9
    low = value < s.max_h - slack
    if s.doubted:
        first = s.doubted[0][1]
        stays = low if first < s.max_h else value >= first - slack
        if stays:
            s.doubted.append((at, value))
            long = at - s.doubted[0][0] >= s.rules.confirm_s
            if len(s.doubted) >= s.rules.confirm_n or long:
                _confirm(s)
            return
        _recover(s)
    allowed = (at - s.at) / 3600 + slack
    if low:
        s.doubted.append((at, value))
    elif value - s.max_h > allowed:
        s.doubted.append((at, value))
        s.events.append(
            MeterEvent(
                at=at,
                kind="refused",
                before_h=s.max_h,
                after_h=value,
                reason=f"rose by {value - s.max_h:.2f} h in {(at - s.at) / 3600:.2f} h",
            )
        )
    else:
        _accept(s, at, max(0.0, value - s.max_h))
        s.max_h = max(s.max_h, value)


def _accept(s: State, at: int, step_h: float) -> None:
    """Count a rise; what would run ahead of the clock by over two resolutions is left out."""
    ahead = s.excess_h + step_h - (at - s.at) / 3600
    over = max(0.0, ahead - 2 * s.resolution)
    s.excess_h = max(0.0, ahead - over)
    s.gained += max(0.0, step_h - over)
    s.at = at
    s.t.append(at)
    s.h.append(s.gained)


def _new_epoch(s: State, at: int, value: float) -> None:
    """Count on from another level. What ran ahead of the clock stays ahead: two epochs in an hour
    make no more hours than one."""
    s.breaks.append(len(s.t))
    waited_h = (at - s.at) / 3600
    s.max_h, s.at, s.excess_h = value, at, max(0.0, s.excess_h - waited_h)
    s.t.append(at)
    s.h.append(s.gained)


def _recover(s: State) -> None:
    """The readings in doubt were a spike (a jump ahead was refused when it came)."""
    assert s.max_h is not None
    at, value = s.doubted[0]
    if value < s.max_h:
        n = len(s.doubted)
        reason = f"low for {n} reading{'s' if n > 1 else ''}, then back"
        s.events.append(
            MeterEvent(at=at, kind="spike", before_h=s.max_h, after_h=value, reason=reason)
        )
    s.doubted = []


def _confirm(s: State) -> None:
    """The new level stays: a roll-over or a reset; then its readings are taken in turn."""
    assert s.max_h is not None
    (at, value), *rest = s.doubted
    s.doubted = []
    before = s.max_h
    limit = _limit(s, at, value) if value < before else None
    if limit is not None:
        _accept(s, at, limit - before + value)
        s.max_h = value
        kind, reason = "roll_over", f"went past {limit:g} h"
    else:
        _new_epoch(s, at, value)
        kind, reason = "reset", "fell and stayed" if value < before else "jumped ahead and stayed"
    s.events.append(
        MeterEvent(at=at, kind=kind, before_h=before, after_h=value, reason=reason)  # type: ignore[arg-type]
    )
    for later, reading in rest:
        take(s, later, reading)


def _limit(s: State, at: int, value: float) -> float | None:
    """The hours at which this meter rolls over, if that explains the fall and the clock allows it.

    The limit must be near; less so where a silence lies between, and where its digits were declared.
    """
    assert s.max_h is not None
    unseen_h = (at - s.at) / 3600
    possible = unseen_h + 2 * s.resolution + 1e-9
    rules = s.rules
    limits = [(limit, rules.near_unseen * (limit >= rules.long_h)) for limit in _likely(s)]
    if s.digits is not None:
        limits.insert(0, (10.0**s.digits / s.per_h, rules.near_declared))
    for limit, share_unseen in limits:
        short = limit - s.max_h
        near = max(rules.near * limit, min(unseen_h, share_unseen * limit))
        if 0 < short <= near + 1e-9 and short + value <= possible:
            return limit
    return None


def _likely(s: State) -> list[float]:
    """Hours at which counters begin again: decimal digits, and registers of hours or of steps."""
    step = max(round(s.resolution * s.per_h, 3), 0.001) / s.per_h
    limits = [10.0**n / s.per_h for n in range(TEN_FROM, MOST_EXPONENT_TEN + 1)]
    limits += [2.0**n / s.per_h for n in range(TWO_FROM, MOST_EXPONENT_TWO + 1)]
    limits += [2.0**n * step for n in REGISTER_BITS]
    return limits
