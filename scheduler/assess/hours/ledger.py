"""Engine hours now and at any past moment, from anchors, meter and runs
(docs/engineering/hours.md#the-ledger)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fleet.model import EngineHours, Record, Run, Unit
from scheduler.assess.hours.anchors import anchors, with_register
from scheduler.assess.hours.check import CROSS_CHECK_H
from scheduler.assess.hours.gains import Gains
from scheduler.assess.hours.meter import gains_while_standing, meter_value
from scheduler.assess.hours.running import all_runs, run_end, surely_until, uncertain_s
from scheduler.day import Day

ROUGH_H, ROUGH_SHARE = 2.0, 0.25
"""Hours added up from runs that may be off by more than both say nothing of work by hours. Common
practice, no source."""


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


def ledger(
    unit: Unit,
    records: Iterable[Record],
    days: Sequence[Day],
    open_run: Run | None,
    now: int,
    hides_s: int = 0,
) -> Ledger:
    """Engine hours (docs/engineering/hours.md#the-ledger): last anchor + rise of the meter after
    it.

    hides_s: how long a run may go on after its last on reading unseen, by the habit [s].

    Without an anchor: the meter's own value, carried across resets. A meter that gains while the
    engine stands is not used, nor where there is none: then hours are those of the runs seen.

    Gives: a record in hours [h]. Definition.
    """
    read = tuple(a for a in with_register(anchors(unit, records), unit) if a[0] <= now)
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
    doubt_s = sum(uncertain_s(run) + run_end(run) - surely_until(run, hides_s) for run in since)
    note = "a meter counted while the engine stood" if refused else "no hour meter is reported"
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
