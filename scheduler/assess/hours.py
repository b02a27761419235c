"""Engine hours of a unit, now and at any past moment, from its days and people's anchors."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import accumulate

from fleet.model import EngineHours, Record, Run, Unit
from scheduler.day import Day
from scheduler.rules.service import hours_fact
from scheduler.rules.starting import MISSABLE_RUN_S

ANCHOR_KINDS = ("hour_meter", "task_done")
"""Records in which a person read the engine's own meter."""
ROUGH_H, ROUGH_SHARE = 2.0, 0.25
"""Hours added up from runs that may be off by more than both say nothing of work by hours."""
STANDING_AT_LEAST_H = 1.0
STANDING_SHARE = 0.05
STANDING_WATCHED = 0.5
"""A meter that gained more than both while the engine was seen to stand is not used."""
CROSS_CHECK_S = 30 * 86_400
CROSS_CHECK_SHARE = 0.05
CROSS_CHECK_H = 1.0

Span = tuple[int, int, float]
"""from, to (UTC seconds), hours gained in between [h]."""


class Gains:
    """Hours gained over time; inside a span they are taken as even."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self.spans = sorted(spans)
        self.ends = [end for _, end, _ in self.spans]
        self.sums = [0.0, *accumulate(hours for _, _, hours in self.spans)]

    def until(self, at: int) -> float:
        """Hours gained up to a moment [h]."""
        index = bisect_right(self.ends, at)
        total = self.sums[index]
        if index < len(self.spans):
            start, end, hours = self.spans[index]
            total += hours * max(0, at - start) / max(end - start, 1)
        return total

    def between(self, start: int, end: int) -> float:
        return self.until(end) - self.until(start)

    def ending_from(self, at: int) -> float:
        """Hours of all spans that end at or after a moment, whole [h]."""
        return self.sums[-1] - self.sums[bisect_left(self.ends, at)]

    def when(self, hours: float) -> int | None:
        """The first moment at which the hours gained reach `hours`; None if they never do."""
        for (start, end, gained), before in zip(self.spans, self.sums, strict=False):
            if before + gained >= hours:
                share = (hours - before) / gained if gained > 0 else 0.0
                return start + round(max(0.0, share) * (end - start))
        return None


@dataclass(frozen=True, slots=True)
class Ledger:
    """Everything needed to say what the engine hours were at a moment.

    anchors: (moment, engine hours) people read, rising; base: the moment and hours that
    `gains` are counted from; first_at: before it nothing was seen.
    """

    now: EngineHours
    gains: Gains
    base_at: int
    base_h: float
    anchors: tuple[tuple[int, float], ...]
    first_at: int | None

    @property
    def rough(self) -> bool:
        """Added up from runs whose ends were seen too coarsely to say when work is due."""
        if self.now.source != "integrated":
            return False
        gained = (self.now.hours_h or 0.0) - (self.now.anchor_h or 0.0)
        return self.now.uncertain_h > max(ROUGH_H, ROUGH_SHARE * gained)

    def at(self, moment: int) -> float | None:
        """Engine hours at a past moment [h]; None where they could not have been seen."""
        before = [anchor for anchor in self.anchors if anchor[0] <= moment]
        if before and (before[-1][0] == moment or self._seen(before[-1][0])):
            at, hours = before[-1]
            return hours + self.gains.between(at, moment)
        if not self._seen(moment) or self.now.hours_h is None:
            return None
        after = [anchor for anchor in self.anchors if anchor[0] > moment]
        at, hours = after[0] if after else (self.base_at, self.base_h)
        return hours - self.gains.between(moment, at)

    def when(self, hours: float) -> int | None:
        """When the engine reached these hours, counted from the base; None if not seen."""
        if hours <= self.base_h:
            return None
        return self.gains.when(self.gains.until(self.base_at) + hours - self.base_h)

    def _seen(self, moment: int) -> bool:
        return self.first_at is not None and moment >= self.first_at


def anchors(unit: Unit, records: Iterable[Record]) -> tuple[tuple[int, float], ...]:
    """(moment, engine hours [h]) a person read, rising; of one moment the last record's."""
    found: dict[int, float] = {}
    if unit.engine_hours is not None and unit.engine_hours_at is not None:
        found[unit.engine_hours_at] = unit.engine_hours
    for record in sorted(records, key=lambda r: (r.at, r.made_at, r.id)):
        hours = hours_fact(record) if record.kind in ANCHOR_KINDS else None
        if hours is not None:
            found[record.at] = hours
    return tuple(sorted(found.items()))


def _with_register(
    read: tuple[tuple[int, float], ...], unit: Unit
) -> tuple[tuple[int, float], ...]:
    """The anchors, with the hours the register gives for the last service (at noon UTC)."""
    if unit.last_service is None or unit.last_service_hours is None:
        return read
    try:
        noon = datetime.fromisoformat(unit.last_service[:10]).replace(hour=12, tzinfo=UTC)
    except ValueError:
        return read
    return tuple(sorted({int(noon.timestamp()): unit.last_service_hours, **dict(read)}.items()))


def ledger(
    unit: Unit,
    records: Iterable[Record],
    days: Sequence[Day],
    open_run: Run | None,
    now: int,
    hides_s: int = 0,
) -> Ledger:
    """Engine hours (ENGINEERING 3): last anchor + rise of the meter after it.

    hides_s: how long a run may go on after its last on reading unseen, by the habit [s].

    Without an anchor: the meter's own value, carried across resets. A meter that gains while the
    engine stands is not used, nor where there is none: then hours are those of the runs seen.
    """
    read = tuple(a for a in _with_register(anchors(unit, records), unit) if a[0] <= now)
    meter = Gains((r.from_at, r.to_at, r.hours_h) for day in days for r in day.hours)
    runs = all_runs(days, open_run)
    integrated = Gains((r.start, run_end(r), (run_end(r) - r.start) / 3600) for r in runs)
    first_at = next((day.first_at for day in days if day.first_at is not None), None)
    value = meter_value(days, meter)
    if value is not None and not gains_while_standing(days, meter):
        return _by_meter(read, meter, value, first_at, now)
    return _by_runs(read, integrated, runs, first_at, now, hides_s, refused=value is not None)


def _by_meter(
    read: tuple[tuple[int, float], ...], meter: Gains, value: float, first_at: int | None, now: int
) -> Ledger:
    if not read:
        base_at, base_h, note = now, value, ""
        hours = EngineHours(hours_h=round(value, 3), source="meter")
    else:
        at, anchor = read[-1]
        base_at, base_h, note = at, anchor, ""
        began = first_at if first_at is not None and first_at > at else None
        if began is not None:
            base_at = began
            start = value - meter.between(began, now)
            seen = anchor <= start <= anchor + (began - at) / 3600 + CROSS_CHECK_H
            base_h = start if seen else anchor
            note = "" if seen else "hours run before its first report are not in it"
        hours = EngineHours(
            hours_h=round(base_h + meter.between(base_at, now), 3),
            source="meter",
            anchor_at=at,
            anchor_h=anchor,
            note=note,
        )
    return Ledger(hours, meter, base_at, base_h, read, first_at)


def _by_runs(
    read: tuple[tuple[int, float], ...],
    integrated: Gains,
    runs: Sequence[Run],
    first_at: int | None,
    now: int,
    hides_s: int,
    refused: bool,
) -> Ledger:
    if not read and first_at is None:
        nothing = EngineHours(hours_h=None, source="none", note="nothing has been heard yet")
        return Ledger(nothing, integrated, now, 0.0, read, None)
    at, anchor = read[-1] if read else (first_at or 0, 0.0)
    since = [run for run in runs if run_end(run) >= at]
    doubt_s = sum(_uncertain_s(run) + run_end(run) - _surely_until(run, hides_s) for run in since)
    note = "the meter counts while the engine stands" if refused else "no hour meter is reported"
    if not read:
        note += "; counted from the first report, as the engine's own meter was never read"
    hours = EngineHours(
        hours_h=round(anchor + integrated.between(at, now), 3),
        source="integrated",
        anchor_at=at if read else None,
        anchor_h=anchor if read else None,
        uncertain_h=round(max(0, doubt_s) / 3600, 3),
        note=note,
    )
    return Ledger(hours, integrated, at, anchor, read, first_at)


def meter_value(days: Sequence[Day], meter: Gains) -> float | None:
    """What the meter would show now had it never been reset, rolled over or replaced [h].

    None: no meter is reported. Its own value while it has had one life, else the value it began
    with and every rise since.
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
    """
    standing = sum(
        day.rise_standing_h
        for day in days
        if day.rise_standing_h >= STANDING_WATCHED * day.standing_watched_s / 3600
    )
    return standing > STANDING_AT_LEAST_H and standing > STANDING_SHARE * meter.sums[-1]


def all_runs(days: Sequence[Day], open_run: Run | None) -> list[Run]:
    """Every run known, in order, with the one still open at its end."""
    runs = [run for day in days for run in day.runs]
    if open_run is not None and (not runs or runs[-1].start != open_run.start):
        runs.append(open_run)
    return runs


def run_end(run: Run) -> int:
    """Where a run's hours count to: its end, or the last moment it was seen running."""
    return max(run.start, run.last_on_at if run.end is None else run.end)


def _uncertain_s(run: Run) -> int:
    late = (run.end_latest or run_end(run)) - run_end(run)
    early = run.start - (run.start_earliest if run.start_earliest is not None else run.start)
    return max(0, late) + max(0, early)


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


def _surely_until(run: Run, hides_s: int) -> int:
    end = run_end(run)
    return min(run.last_on_at, end) if hides_s and run.last_on_at else end


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
        """Beyond 5 % and 1 h of everything the runs, silences and its step allow (ENGINEERING 3)."""
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
    doubt = gaps + sum(_uncertain_s(run) for run in runs)
    sure = sum(max(0, _surely_until(run, hides_s) - max(run.start, start)) for run in runs)
    return CrossCheck(
        from_at=start,
        meter_h=_shown_h(days, start) or Gains(spans).between(start, now),
        integrated_h=inside / 3600,
        high_h=None if hides_s > MISSABLE_RUN_S else (inside + doubt) / 3600,
        low_h=sure / 3600,
        step_h=next((d.carry.meter.resolution_h or 0.0 for d in reversed(recent)), 0.0),
    )
