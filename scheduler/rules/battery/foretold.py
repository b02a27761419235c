"""How long until a falling battery reaches a limit."""

from __future__ import annotations

SPAN_TIMES = 2.0
"""Nothing is foretold beyond twice the span watched (docs/engineering/battery.md#trend). Common
practice, no source."""


def days_until(above_v: float, per_day_v: float, span_days: float) -> float | None:
    """Days until it has fallen by above_v [V] at per_day_v (negative: falls) [V a day].

    days = above_v / -per_day_v. 0 where it is there already; None where it does not fall, or beyond
    twice span_days, the time watched.

    Gives: [days]. Arithmetic.
    """
    if above_v <= 0:
        return 0.0
    if per_day_v >= 0:
        return None
    days = above_v / -per_day_v
    return days if days <= SPAN_TIMES * span_days else None
