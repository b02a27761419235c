"""Readiness against what really happened, and what befell the sets that were examined."""

from __future__ import annotations

from collections.abc import Iterator

from truth import DAY_S, Cast

from demo_fleet.machine import FOREVER

ANSWERED_S = 300


def not_answered(c: Cast, first: int, end: int) -> list[int]:
    """Moments at which power was wanted and did not come: a failed start, or an outage without one
    (locked out, out of automatic), or a run that made no volts."""
    life, ails = c.s.machine.life, c.s.machine.script.ails
    found = [
        d.at
        for d in life.demands
        if d.why != "hand" and (d.start is None or d.at >= ails.no_output)
    ]
    for lost in life.lost.tolist():
        on = (life.start <= lost + ANSWERED_S) & (life.end > lost)
        tried = any(abs(d.at - lost) < ANSWERED_S for d in life.demands)
        if not on.any() and not tried:
            found.append(lost)
    return sorted(t for t in found if first <= t < end)


def would_start(c: Cast, now: int) -> bool:
    """Whether it would start by itself and give volts, were it asked at a moment."""
    script, life = c.s.machine.script, c.s.machine.life
    if any(a <= now < b for a, b in (*script.manual, *script.fail)) or now >= script.ails.no_output:
        return False
    past = [d for d in life.demands if d.at <= now]
    locked = bool(past) and past[-1].start is None and not script.resets_itself
    return not locked


def befell(c: Cast, first: int, end: int) -> Iterator[str]:
    """The healthy confusers that this set's year holds, in words."""
    s, script, life = c.s, c.s.machine.script, c.s.machine.life
    long = (life.back - life.lost > DAY_S) & (life.lost < end) & (life.back > first)
    found = {
        "hand runs": bool(script.hand),
        "meter replaced": script.meter_reset < end,
        "meter at zero once": bool(script.meter_zero),
        "board swapped": script.board_swap < end,
        "long outage": bool(long.any()),
        "daylight saving, both ways": s.exercise is not None and end - first > 360 * DAY_S,
        "coarse quantising": c.meter_step_h > 0.1,
        "15-min habit": s.habit.mode == "steady" and s.habit.standing_s == 900,
        "on change only": s.habit.mode == "on_change",
        "wakes every 6 h": s.habit.mode == "sleeping",
        "no events": not s.machine.reporter.events,
        "late batches": bool(script.offline),
        "dark for hours or days": bool(c.dark),
        "habit learned": c.learned,
        f"charger {s.charger}": True,
        s.plays: bool(s.plays) and script.ails.no_output >= FOREVER,
    }
    yield from (word for word, there in found.items() if there)


def rate(part: int, whole: int) -> str:
    """A share with its counts; nothing where there is nothing to share."""
    return f"{part} of {whole}" + (f" ({100 * part / whole:.1f} %)" if whole else "")


def upper(wrong: int, days: int) -> float:
    """95 % upper bound of a rate from so many wrong in so many days (exact Poisson by chi-square)."""
    from scipy.stats import chi2

    return float(chi2.ppf(0.95, 2 * (wrong + 1)) / 2 / max(1, days))
