"""What is coming for one unit: how it is used, when hours will make work due, oil in a long run."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from functools import lru_cache

import msgspec

from fleet.calendar import DAY_S, ZoneUnknown, local_date
from fleet.findings.service import OilCheckInRun
from fleet.model import DueItem, Evidence, Finding, Run, Unit
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.hours import Ledger, run_end
from scheduler.day import Day
from scheduler.rules import exercise, service, usage
from scheduler.rules.usage import Likely, OtherRun, Prior, Usage

LOOK_BACK = 365
"""Days of its own running a set is foretold from: a year of seasons. Definition."""
SEED = 20_261
"""Fixed: the same facts give the same dates. Definition."""
SAMPLE = 12
"""Lengths of newest runs that a set gives to its area. Common practice, no source."""
UNSEEN_H = 0.5
"""Hours of the meter that neither runs nor agreed exercise explain, below which they are noise.
Common practice, no source."""
STEP_H = 0.25
"""Hours left are rounded to this for the forecast, so that a running set need not be simulated anew
each minute. Definition."""


class Ahead(msgspec.Struct, frozen=True, kw_only=True):
    """How the unit is used. other: a year without exercise; exercise_h: agreed hours of the year
    ahead; area_units: sets the prior is from (0: the default); duty: since its last oil change.

    oil: the oil check of a run that goes on.
    """

    other: Usage = Usage()
    exercise_h: float = 0.0
    area_units: int = 0
    duty: service.Duty | None = None
    oil: service.OilCheck | None = None


def look(
    inputs: UnitInputs,
    days: Sequence[Day],
    runs: Sequence[Run],
    ledger: Ledger,
    due: Sequence[DueItem],
    now: int,
    prior: Prior | None = None,
) -> tuple[tuple[DueItem, ...], Ahead]:
    """The due items with their likely dates, and what they stand on.

    runs: with the agreed exercise joined (`why`). prior: of the area; None: the default.

    Gives: records, dates of 10, 50 and 90 %, and hours [h]. Source: as scheduler/rules/usage.py.
    """
    prior = prior or Prior()
    planned = _exercise_h(inputs, now)
    other = _other(inputs, days, runs, ledger, planned, now)
    watched = sum(1 for day in days if 0 <= now // DAY_S - day.day < LOOK_BACK and day.n)
    going = runs[-1] if runs and runs[-1].end is None else None
    air = inputs.unit.engine_class.startswith("air")
    oil = service.oil_check(going.start, now, air, inputs.records) if going else None
    ahead = Ahead(
        other=_usage(other, days, now),
        exercise_h=round(sum(planned[:365]), 2),
        area_units=prior.units,
        duty=service.duty_of(runs, _oil_changed(inputs, ledger), inputs.unit.rated_kw),
        oil=oil,
    )
    return _likely(due, other, float(watched), planned, prior, inputs, now), ahead


def oil_finding(
    inputs: UnitInputs, run_start: int, oil: service.OilCheck | None, now: int
) -> Finding | None:
    """Same day: an air-cooled engine has run past an oil check and nobody was seen at it."""
    if oil is None or not oil.open or oil.due_at is None:
        return None
    return Finding(
        severity="same_day",
        since=oil.due_at,
        facts=OilCheckInRun(
            run_h=round((oil.due_at - run_start) / 3600, 1),
            check=oil.number,
            started_at=run_start,
            next_at=oil.next_at,
        ),
        evidence=Evidence(
            channels=tuple(
                c.channel for c in (inputs.unit.running.first, inputs.unit.running.second) if c
            ),
            from_at=run_start,
            to_at=now,
        ),
    )


def _exercise_h(inputs: UnitInputs, now: int) -> tuple[float, ...]:
    """Agreed exercise hours of each UTC day ahead, today first [h]."""
    unit: Unit = inputs.unit
    today = now // DAY_S
    hours = [0.0] * usage.HORIZON_DAYS
    if not unit.exercise:
        return tuple(hours)
    try:
        dues = exercise.between(
            unit.exercise, inputs.site.time_zone, today, today + usage.HORIZON_DAYS
        )
    except (ValueError, ZoneUnknown):
        return tuple(hours)
    for due in dues:
        if due.at >= now:
            hours[due.at // DAY_S - today] += (unit.exercise_minutes or 0.0) / 60
    return tuple(hours)


def _other(
    inputs: UnitInputs,
    days: Sequence[Day],
    runs: Sequence[Run],
    ledger: Ledger,
    planned: Sequence[float],
    now: int,
) -> tuple[OtherRun, ...]:
    """Runs of a year that no exercise explains; hours only the meter saw, as one run a block."""
    since = (now // DAY_S - LOOK_BACK + 1) * DAY_S
    mine = [run for run in runs if run.start >= since and run.end is not None]
    other = [
        OtherRun(run.start, round((run_end(run) - run.start) / 3600, 3))
        for run in mine
        if run.why != "exercise" and run_end(run) > run.start
    ]
    if ledger.now.source == "meter" and ledger.first_at is not None:
        a_day = sum(planned) / len(planned)
        for back in range(0, LOOK_BACK, usage.BLOCK_DAYS):
            end = (now // DAY_S + 1 - back) * DAY_S
            start = max(end - usage.BLOCK_DAYS * DAY_S, since, ledger.first_at)
            if start >= end:
                continue
            inside = [run for run in mine if start <= run.start < end]
            exercised = sum((run_end(r) - r.start) / 3600 for r in inside if r.why == "exercise")
            seen = sum((run_end(r) - r.start) / 3600 for r in inside)
            unplanned = max(0.0, a_day * (end - start) / DAY_S - exercised)
            unseen = ledger.gains.between(start, min(end, now)) - seen - unplanned
            if unseen > max(UNSEEN_H, 0.2 * seen):
                other.append(OtherRun(start + 1, round(unseen, 2)))
    return tuple(sorted(other, key=lambda run: run.at))


def _usage(other: Sequence[OtherRun], days: Sequence[Day], now: int) -> Usage:
    today = now // DAY_S
    heard = [today - day.day for day in days if day.n and 0 <= today - day.day < LOOK_BACK]
    blocks = -(-LOOK_BACK // usage.BLOCK_DAYS)
    counts, hours, watched = [0] * blocks, [0.0] * blocks, [0.0] * blocks
    for ago in heard:
        watched[ago // usage.BLOCK_DAYS] += 1
    for run in other:
        block = max(0, today - run.at // DAY_S) // usage.BLOCK_DAYS
        counts[block] += 1
        hours[block] += run.hours_h
    months = [(n, round(h, 2), d) for n, h, d in zip(counts, hours, watched, strict=True)]
    while months and months[-1][2] == 0:
        months.pop()
    return Usage(months=tuple(months), hours_h=tuple(run.hours_h for run in other[-SAMPLE:]))


@lru_cache(maxsize=2048)
def _simulated(
    left: tuple[float, ...],
    other: tuple[OtherRun, ...],
    watched: float,
    planned: tuple[float, ...],
    prior: Prior,
) -> tuple[Likely, ...]:
    return usage.days_until(left, other, watched, planned, prior, SEED)


def _likely(
    due: Sequence[DueItem],
    other: tuple[OtherRun, ...],
    watched: float,
    planned: tuple[float, ...],
    prior: Prior,
    inputs: UnitInputs,
    now: int,
) -> tuple[DueItem, ...]:
    """Items whose hours are known and not used up, with dates: hours or calendar, the earlier."""
    wanted = sorted({_step(item.hours_left_h) for item in due if _open(item)})
    if not wanted:
        return tuple(due)
    answers = dict(
        zip(wanted, _simulated(tuple(wanted), other, watched, planned, prior), strict=True)
    )
    today = local_date(now, inputs.site.time_zone)
    return tuple(
        _dated(item, answers[_step(item.hours_left_h)], today) if _open(item) else item
        for item in due
    )


def _open(item: DueItem) -> bool:
    return item.hours_left_h is not None and item.hours_left_h > 0 and item.state != "late_beyond"


def _step(hours_left_h: float | None) -> float:
    return max(STEP_H, STEP_H * round((hours_left_h or 0.0) / STEP_H))


def _dated(item: DueItem, likely: Likely, today: date) -> DueItem:
    """Capped by the calendar date; without dates where the calendar surely comes first."""
    first = _on(likely.early_d, item.due_on, today)
    if first is None or first == item.due_on:
        return item
    return msgspec.structs.replace(
        item,
        likely_from=first,
        likely_on=_on(likely.middle_d, item.due_on, today),
        likely_to=_on(likely.late_d, item.due_on, today),
    )


def _on(days: int | None, due_on: str | None, today: date) -> str | None:
    by_hours = None if days is None else (today + timedelta(days=days)).isoformat()
    return min(filter(None, (by_hours, due_on)), default=None)


def _oil_changed(inputs: UnitInputs, ledger: Ledger) -> int:
    """When the oil was last changed, by record, else by the register; else the first report."""
    done = [
        r.at
        for r in inputs.records
        if r.kind == "task_done" and str(r.facts.get("task", "")).startswith("oil")
    ]
    return max(done, default=ledger.first_at or 0)
