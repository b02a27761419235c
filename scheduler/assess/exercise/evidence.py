"""What the days and records of a unit show of its exercises."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.calendar import DAY_S
from fleet.model import Habit, Run, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.agreed import FAR
from scheduler.assess.hours import Ledger
from scheduler.assess.last_known import set_aside
from scheduler.assess.written import moment
from scheduler.day import Day, allowed_gaps
from scheduler.rules.exercise import Candidate, Seen

AT_THE_SET = frozenset(
    {"visit", "task_done", "part_changed", "meter_check", "hour_meter", "meter_replaced"}
)


def seen_of(
    inputs: UnitInputs,
    days: Sequence[Day],
    runs: Sequence[Run],
    demands: Sequence[StartDemand],
    reports: Habit,
    ledger: Ledger,
    since: int,
) -> Seen:
    """What there is to match occurrences with, from `since` (UTC seconds) on.

    Gives: a record in UTC seconds [UTC s] and hours [h]. Definition.
    """
    of_run = {d.run_start: d for d in demands if d.run_start is not None}
    gaps = allowed_gaps(reports)
    last = days[-1].carry if days else None
    odd = [e.at for day in days for e in day.meter if e.kind != "spike"]
    fitted = [f.from_at for f in inputs.fittings if f.from_at is not None]
    hides_s = 0 if gaps.holds else reports.running_s
    by_meter = ledger.now.source == "meter" and last is not None
    return Seen(
        runs=[
            _candidate(run, of_run.get(run.start), hides_s) for run in runs if run.start >= since
        ],
        failed=[d.at for d in demands if d.end == "failed" and d.at >= since],
        hidden=[
            (d.at, d.end == "started")
            for d in demands
            if d.run_start is None and d.attempts and d.end != "failed" and d.at >= since
        ],
        gaps=[(gap.start, gap.end) for day in days for gap in day.gaps],
        first_at=next((day.first_at for day in days if day.first_at is not None), None),
        last_at=last.last_at if last else None,
        running_gap_s=gaps.running_s,
        holds=gaps.holds,
        standing_s=reports.standing_s,
        counter_at=[d.spots["start_attempts"].last_at for d in days if "start_attempts" in d.spots],
        meter=[(r.from_at, r.to_at, r.hours_h) for day in days for r in day.hours]
        if by_meter
        else (),
        meter_resolution_h=last.meter.resolution_h if last else None,
        broken=sorted([*odd, *fitted]),
        tells_starts=last is not None and bool({"crank", "started"} & set(last.starts.reports)),
        aside=[(s.from_at, FAR if s.to_at is None else s.to_at) for s in set_aside(inputs)],
        visits=_visits(inputs),
        out_of_auto=_out_of_auto(days),
    )


def _candidate(run: Run, demand: StartDemand | None, hides_s: int) -> Candidate:
    if demand is None:
        return Candidate(run, hides_s=hides_s)
    if demand.end == "by_hand":
        by_switch = "in_auto" in demand.seen_by
        return Candidate(run, "switch" if by_switch else "no_attempt", hides_s=hides_s)
    return Candidate(run, "", demand.attempts, hides_s)


def _visits(inputs: UnitInputs) -> list[tuple[int, int]]:
    """When somebody was at the set: visits from opening to closing, and other work by its time."""
    zone = inputs.site.time_zone
    found = []
    for record in inputs.records:
        if record.kind in AT_THE_SET:
            opened = moment(record.facts.get("opened"), zone, False) or record.at
            closed = moment(record.facts.get("closed"), zone, True) or record.at
            found.append((min(opened, closed), max(opened, closed)))
    return found


def _out_of_auto(days: Sequence[Day]) -> list[tuple[int, int]]:
    """Spells with the switch known to be out of automatic, as far as the days' ends tell.

    Where it was out and back within a day, from that day's beginning."""
    found = []
    for day in days:
        spell = day.carry.in_auto
        if spell is not None and spell.value == 0:
            found.append((spell.since, spell.at))
        elif spell is not None and spell.earliest is not None:
            out = day.spots.get("in_auto")
            begun = day.day * DAY_S if out is not None and out.min < 0.5 else spell.earliest
            found.append((min(begun, spell.earliest), spell.since))
    return found
