"""Engine hours now and at any past moment, from anchors, meter and runs
(docs/engineering/hours.md#the-ledger)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fleet.hour_format import hours_of
from fleet.model import EngineHours, Record, Run, Unit
from scheduler.assess.hours.gains import (
    Gains,
    Stretch,
    all_runs,
    run_end,
    spliced,
    surely_until,
    uncertain_s,
)
from scheduler.assess.hours.metering import (
    CROSS_CHECK_H,
    CrossCheck,
    FormatSeen,
    cross_check,
    formats_seen,
    gains_while_standing,
    meter_value,
    not_followed,
)
from scheduler.assess.hours.readings import MeterReadings, device_meter, meter_readings
from scheduler.day import Day

ROUGH_H, ROUGH_SHARE = 2.0, 0.25
"""Hours added up from runs that may be off by more than both say nothing of work by hours. Common
practice, no source."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """Everything needed to say what the engine hours were at a moment.

    readings: what people read off the engine's own meter; base: the moment and hours that `gains` are
    counted from; first_at: before it nothing was seen; key_on: the meter counts while the engine
    stands; check: the meter against the runs of 30 days; formats: how devices seem to have written.
    """

    now: EngineHours
    gains: Gains
    base_at: int
    base_h: float
    readings: MeterReadings
    first_at: int | None
    key_on: bool = False
    check: CrossCheck | None = None
    formats: tuple[FormatSeen, ...] = ()

    @property
    def anchors(self) -> tuple[tuple[int, float], ...]:
        """(moment, engine hours) people read, rising."""
        return self.readings.anchors

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
    records: Sequence[Record],
    days: Sequence[Day],
    open_run: Run | None,
    now: int,
    hides_s: int = 0,
    zone: str = "UTC",
) -> Ledger:
    """Engine hours (docs/engineering/hours.md#the-ledger): last reading + what was gained after it,
    by the meter, or by the runs wherever the meter is not followed.

    hides_s: how long a run may go on after its last on reading unseen, by the habit [s]. zone: of
    the site.

    Without a reading: the meter's own value, carried across resets. A meter that gains while the
    engine stands is not used, nor where there is none: then hours are those of the runs seen.

    Gives: a record in hours [h]. Definition.
    """
    meter = Gains((r.from_at, r.to_at, r.hours_h) for day in days for r in day.hours)
    runs = all_runs(days, open_run)
    integrated = Gains((r.start, run_end(r), (run_end(r) - r.start) / 3600) for r in runs)
    first_at = next((day.first_at for day in days if day.first_at is not None), None)
    value = meter_value(days, meter)
    check, formats = cross_check(days, open_run, now, hides_s), formats_seen(days, now)
    if value is None or gains_while_standing(days, meter):
        read = meter_readings(unit, records, zone, now)
        made = _by_runs(read, integrated, runs, first_at, now, hides_s, value is not None)
        return replace(made, check=check, formats=formats)
    refused = not_followed(days, open_run, now, hides_s, check, formats)
    gains = spliced(meter, integrated, refused)
    if refused:
        value += gains.between(first_at or 0, now) - meter.between(first_at or 0, now)
    begun = _begun_otherwise(days, gains, now, formats)
    value = value if begun is None else begun
    read = meter_readings(unit, records, zone, now, device_meter(days, gains, value, now))
    made = _by_meter(read, gains, value, first_at, now, refused, _doubt_h(runs, refused, hides_s))
    return replace(made, check=check, formats=formats)


def _begun_otherwise(
    days: Sequence[Day], gains: Gains, now: int, formats: Sequence[FormatSeen]
) -> float | None:
    """Hours now of a meter that seems to count something else: its first value as it seems to
    write it, and what was gained since [h]; None where the first device wrote hours."""
    if not formats:
        return None
    first = next((day for day in days if day.carry.meter.max_h is not None), None)
    written = formats[0][2]
    if first is None or first.carry.meter.max_h is None:
        return None
    if first.carry.fitting != days[-1].carry.fitting:
        return None
    meant = hours_of(first.carry.meter.max_h, written)
    return None if meant is None else meant + gains.between(first.carry.meter.at or now, now)


def _doubt_h(runs: Sequence[Run], stretches: Sequence[Stretch], hides_s: int) -> float:
    """By how much the runs of these stretches may be off [h]."""
    if not stretches:
        return 0.0
    inside = [r for r in runs if any(a <= run_end(r) and r.start <= b for a, b in stretches)]
    doubt_s = sum(uncertain_s(run) + run_end(run) - surely_until(run, hides_s) for run in inside)
    return max(0, doubt_s) / 3600


def _by_meter(
    read: MeterReadings,
    gains: Gains,
    value: float,
    first_at: int | None,
    now: int,
    refused: Sequence[Stretch],
    doubt_h: float,
) -> Ledger:
    base_at, base_h, note = now, value, ""
    since, anchor = read.anchors[-1] if read.anchors else (first_at or now, None)
    if anchor is not None:
        base_at, base_h = since, anchor
        began = first_at if first_at is not None and first_at > since else None
        if began is not None:
            base_at = began
            start = value - gains.between(began, now)
            seen = anchor <= start <= anchor + (began - since) / 3600 + CROSS_CHECK_H
            base_h = start if seen else anchor
            note = "" if seen else "hours run before its first report are not in it"
    later = [(max(a, since), b) for a, b in refused if b > since]
    by_runs = sum(gains.between(a, b) for a, b in later)
    hours = EngineHours(
        hours_h=round(base_h + gains.between(base_at, now), 3),
        source="integrated" if later and later[-1][1] >= now else "meter",
        anchor_at=None if anchor is None else since,
        anchor_h=anchor,
        uncertain_h=round(doubt_h, 3) if later else 0.0,
        note=_notes(note, _spliced_note(later, by_runs), _replaced_note(read, now)),
    )
    return Ledger(hours, gains, base_at, base_h, read, first_at)


def _replaced_note(read: MeterReadings, now: int) -> str:
    offset_h = read.offset(now)
    if abs(offset_h) < CROSS_CHECK_H:
        return ""
    than = "less" if offset_h > 0 else "more"
    return f"the meter fitted now shows {abs(offset_h):.1f} h {than} than the engine has run"


def _notes(*some: str) -> str:
    return "; ".join(filter(None, some))


def _spliced_note(later: Sequence[Stretch], by_runs_h: float) -> str:
    if not later:
        return ""
    return (
        f"{by_runs_h:.1f} h of it are added up from the runs seen, as the hour meter did not agree"
    )


def _by_runs(
    read: MeterReadings,
    integrated: Gains,
    runs: Sequence[Run],
    first_at: int | None,
    now: int,
    hides_s: int,
    refused: bool,
) -> Ledger:
    anchors = read.anchors
    if not anchors and first_at is None:
        nothing = EngineHours(hours_h=None, source="none", note="nothing has been heard yet")
        return Ledger(nothing, integrated, now, 0.0, read, None)
    at, anchor = anchors[-1] if anchors else (first_at or 0, 0.0)
    since = [run for run in runs if run_end(run) >= at]
    doubt_s = sum(uncertain_s(run) + run_end(run) - surely_until(run, hides_s) for run in since)
    note = "a meter counted while the engine stood" if refused else "no hour meter is reported"
    if not anchors:
        note += "; counted from the first report, as the engine's own meter was never read"
    hours = EngineHours(
        hours_h=round(anchor + integrated.between(at, now), 3),
        source="integrated",
        anchor_at=at if anchors else None,
        anchor_h=anchor if anchors else None,
        uncertain_h=round(max(0, doubt_s) / 3600, 3),
        note=_notes(note, _replaced_note(read, now)),
    )
    return Ledger(hours, integrated, at, anchor, read, first_at, key_on=refused)
