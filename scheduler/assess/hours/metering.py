"""Whether the hour meter can be believed: held against the runs, and by what it does while standing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.model import HourFormat, Run
from scheduler.assess.hours.gains import (
    Gains,
    Stretch,
    all_runs,
    merged,
    run_end,
    surely_until,
    uncertain_s,
)
from scheduler.day import Day
from scheduler.rules.hours import likely_format
from scheduler.rules.starting import MISSABLE_RUN_S

CROSS_CHECK_S = 30 * 86_400
CROSS_CHECK_SHARE = 0.05
CROSS_CHECK_H = 1.0
"""Meter and runs are held together over 30 days, and disagree beyond both
(docs/engineering/hours.md#cross-check). Common practice, no source."""
SEEN_SHARE = 0.5
"""Where less than so much of the meter's hours was seen as runs, it is the runs that were not seen:
no meter is so fast. Common practice, no source."""
STANDING_AT_LEAST_H = 1.0
STANDING_SHARE = 0.05
STANDING_WATCHED = 0.5
"""A meter that gained more than both while the engine was seen to stand is not used. Common
practice, no source."""
NEW_LIVES = frozenset({"reset", "roll_over"})
"""What a meter does where it goes on from another number. Definition."""


FormatSeen = tuple[int, int, HourFormat]
"""from, to (UTC seconds), how a device seems to have written its hours."""


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

    @property
    def runs_seen(self) -> bool:
        """Whether the runs can stand in for a meter that disagrees
        (docs/engineering/hours.md#cross-check).
        """
        return self.integrated_h >= SEEN_SHARE * self.meter_h


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


def _shown_h(days: Sequence[Day], start: int) -> float | None:
    """What the meter itself went on by since `start` [h], with what was not counted because it ran
    ahead of the clock; None where it had more than one life in between."""
    before = next((d for d in reversed(days) if (d.carry.meter.at or start + 1) <= start), None)
    last = days[-1].carry
    if before is None or before.carry.meter.max_h is None or last.meter.max_h is None:
        return None
    since = [day for day in days if day.day >= before.day]
    odd = any(e.kind in NEW_LIVES for d in since for e in d.meter)
    one_life = not odd and before.carry.fitting == last.fitting
    return last.meter.max_h - before.carry.meter.max_h if one_life else None


@dataclass(frozen=True, slots=True)
class _Marks:
    """The meter where it was first read and at the end of each day on which it was: when [UTC s],
    what it showed and what was counted until then [h], and which life it was in."""

    at: NDArray[np.int64]
    shown: NDArray[np.float64]
    counted: NDArray[np.float64]
    life: NDArray[np.int64]


def not_followed(
    days: Sequence[Day],
    open_run: Run | None,
    now: int,
    hides_s: int,
    check: CrossCheck | None,
    formats: Sequence[FormatSeen],
) -> tuple[Stretch, ...]:
    """When the meter's word is not taken, rising: every 30 days over which it and the runs disagree
    and at least half of its hours were seen as runs, and as long as a device seems to write its
    hours in a way that nobody declared.

    A stretch stays what it was when later months agree, so hours that were counted are not lost
    again. hides_s: as in `cross_check`, whose newest word is `check`; formats: `formats_seen`.

    Gives: moments [UTC s]. Common practice, no source.
    """
    found = [(first, last) for first, last, _ in formats]
    if check is not None and check.disagrees and check.runs_seen:
        found.append((check.from_at, now))
    if _drifts(days):
        marks = _marks(days)
        if len(marks.at) > 1:
            found += _disagreeing(marks, days, all_runs(days, open_run), hides_s)
    return merged(found)


def _drifts(days: Sequence[Day]) -> bool:
    """Whether what the meter shows and the runs ever came apart by an hour: else no 30 days of them
    can disagree."""
    apart = least = most = 0.0
    before: float | None = None
    for day in days:
        shown = day.carry.meter.max_h
        if shown is None:
            continue
        if before is None:
            before = shown - sum(rise.hours_h for rise in day.hours)
        apart += shown - before
        before = shown
        for run in day.runs:
            apart -= (run_end(run) - run.start) / 3600
        least, most = min(least, apart), max(most, apart)
    return most - least > CROSS_CHECK_H


def _marks(days: Sequence[Day]) -> _Marks:
    rows: list[tuple[int, float, float, int]] = []
    counted, life = 0.0, 0
    fitting: str | None = None
    for day in days:
        meter = day.carry.meter
        gained = sum(rise.hours_h for rise in day.hours)
        odd = any(e.kind in NEW_LIVES for e in day.meter)
        if not rows and day.hours and meter.max_h is not None:
            rows.append((day.hours[0].from_at, meter.max_h - gained, counted, life + (not odd)))
        counted += gained
        life += odd or day.carry.fitting != fitting
        fitting = day.carry.fitting
        newer = meter.at is not None and (not rows or meter.at > rows[-1][0])
        if newer and meter.at is not None and meter.max_h is not None:
            rows.append((meter.at, meter.max_h, counted, life))
    at, shown, sums, lives = zip(*rows, strict=True) if rows else ((), (), (), ())
    return _Marks(
        np.array(at, np.int64),
        np.array(shown, np.float64),
        np.array(sums, np.float64),
        np.array(lives, np.int64),
    )


def _disagreeing(
    marks: _Marks, days: Sequence[Day], runs: Sequence[Run], hides_s: int
) -> list[Stretch]:
    """Every stretch of at most 30 days between two marks over which meter and runs disagree."""
    last = np.arange(1, len(marks.at))
    first = np.minimum(np.searchsorted(marks.at, marks.at[last] - CROSS_CHECK_S), last - 1)
    one_life = marks.life[first] == marks.life[last]
    gained = np.where(
        one_life,
        marks.shown[last] - marks.shown[first],
        marks.counted[last] - marks.counted[first],
    )
    a, b = marks.at[first], marks.at[last]
    inside = _seconds([(r.start, run_end(r)) for r in runs], a, b)
    sure = _seconds([(r.start, max(r.start, surely_until(r, hides_s))) for r in runs], a, b)
    silent = _seconds([(g.start, g.end) for day in days for g in day.gaps], a, b)
    doubt = np.concatenate(([0], np.cumsum([uncertain_s(run) for run in runs])))
    ends = np.array([run_end(run) for run in runs], np.int64)
    starts = np.array([run.start for run in runs], np.int64)
    unsure = doubt[np.searchsorted(starts, b, "right")] - doubt[np.searchsorted(ends, a, "left")]
    above = gained - (inside + silent + unsure) / 3600
    if hides_s > MISSABLE_RUN_S:
        above = np.zeros(len(last))
    step = next((d.carry.meter.resolution_h or 0.0 for d in reversed(days)), 0.0)
    off = np.maximum(above, sure / 3600 - gained) - step
    beyond = (off > CROSS_CHECK_H) & (off > CROSS_CHECK_SHARE * inside / 3600)
    seen = inside / 3600 >= SEEN_SHARE * gained
    return [(int(a[k]), int(b[k])) for k in np.flatnonzero(beyond & seen)]


def _seconds(
    stretches: Sequence[Stretch], start: NDArray[np.int64], end: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Seconds of stretches (rising, apart) that lie between each pair of moments."""
    if not stretches:
        return np.zeros(len(start))
    edges = np.array(stretches, np.float64).ravel()
    edges = np.maximum.accumulate(edges)
    lengths = np.diff(edges)
    lengths[1::2] = 0
    sums = np.concatenate(([0.0], np.cumsum(lengths)))
    return np.asarray(np.interp(end, edges, sums) - np.interp(start, edges, sums))


def formats_seen(days: Sequence[Day], now: int) -> tuple[FormatSeen, ...]:
    """From when to when devices seem to have written their hours otherwise than as decimals, and
    how; only where nobody declared it.

    Gives: moments [UTC s] and words. Common practice, no source.
    """
    found: list[FormatSeen] = []
    first: Day | None = None
    for index, day in enumerate(days):
        fitting = day.carry.fitting
        if first is None or first.carry.fitting != fitting:
            first = day
        newest = index == len(days) - 1
        if newest or days[index + 1].carry.fitting != fitting:
            written = likely_format(day.carry.meter.format_evidence)
            if written is not None:
                end = now if newest else (day.day + 1) * 86_400
                found.append((first.first_at or first.day * 86_400, end, written))
    return tuple(found)


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
    odd = [e for day in days for e in day.meter if e.kind in NEW_LIVES]
    if not odd and len(lives) == 1:
        return newest_h
    first = metered[0]
    begun = [e for e in first.meter if e.kind in NEW_LIVES]
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
