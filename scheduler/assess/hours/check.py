"""The meter against the runs of the last 30 days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.model import Run
from scheduler.assess.hours.gains import Gains
from scheduler.assess.hours.running import all_runs, run_end, surely_until, uncertain_s
from scheduler.day import Day
from scheduler.rules.starting import MISSABLE_RUN_S

CROSS_CHECK_S = 30 * 86_400
CROSS_CHECK_SHARE = 0.05
CROSS_CHECK_H = 1.0
"""Meter and runs are held together over 30 days, and disagree beyond both
(docs/engineering/hours.md#cross-check). Common practice, no source."""


def _shown_h(days: Sequence[Day], start: int) -> float | None:
    """What the meter itself went on by since `start` [h], with what was not counted because it ran
    ahead of the clock; None where it had more than one life in between."""
    before = next((d for d in reversed(days) if (d.carry.meter.at or start + 1) <= start), None)
    last = days[-1].carry
    if before is None or before.carry.meter.max_h is None or last.meter.max_h is None:
        return None
    since = [day for day in days if day.day >= before.day]
    odd = any(e.kind in ("reset", "roll_over") for d in since for e in d.meter)
    one_life = not odd and before.carry.fitting == last.fitting
    return last.meter.max_h - before.carry.meter.max_h if one_life else None


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """30 days of meter against runs [h].

    low_h, high_h: the least the runs lasted, and the most that they, silences and runs too short
    for the habit would allow (None: no limit). step_h: the meter's own step, by which a
    difference of two readings may be off.
    """

    from_at: int
    meter_h: float
    integrated_h: float
    high_h: float | None
    low_h: float
    step_h: float = 0.0

    @property
    def disagrees(self) -> bool:
        """Beyond 5 % and 1 h of everything the runs, silences and its step allow
        (docs/engineering/hours.md#cross-check).
        """
        above = 0.0 if self.high_h is None else self.meter_h - self.high_h
        off = max(above, self.low_h - self.meter_h) - self.step_h
        return off > CROSS_CHECK_H and off > CROSS_CHECK_SHARE * self.integrated_h


def cross_check(
    days: Sequence[Day], open_run: Run | None, now: int, hides_s: int = 0
) -> CrossCheck | None:
    """The meter against the runs over the last 30 days; None without a meter.

    hides_s: the longest run that the habit hides between two reports (0: values hold, and an end
    is where it was said to be; else a run surely lasted until its last on reading).

    Counted from where the first whole span of the meter begins: inside a span its hours are taken
    as even, which a run at the edge of the 30 days is not.

    Gives: a record in hours [h], or none. Common practice, no source.
    """
    start = now - CROSS_CHECK_S
    recent = [day for day in days if (day.day + 1) * 86_400 > start]
    spans = [(r.from_at, r.to_at, r.hours_h) for day in recent for r in day.hours]
    if not spans:
        return None
    whole = [begin for begin, _, _ in spans if begin >= start]
    start = min(whole, default=max(start, min(spans)[0]))
    runs = [run for run in all_runs(recent, open_run) if run_end(run) > start]
    inside = sum(run_end(run) - max(run.start, start) for run in runs)
    gaps = sum(g.end - max(g.start, start) for day in recent for g in day.gaps if g.end > start)
    doubt = gaps + sum(uncertain_s(run) for run in runs)
    sure = sum(max(0, surely_until(run, hides_s) - max(run.start, start)) for run in runs)
    return CrossCheck(
        from_at=start,
        meter_h=_shown_h(days, start) or Gains(spans).between(start, now),
        integrated_h=inside / 3600,
        high_h=None if hides_s > MISSABLE_RUN_S else (inside + doubt) / 3600,
        low_h=sure / 3600,
        step_h=next((d.carry.meter.resolution_h or 0.0 for d in reversed(recent)), 0.0),
    )
