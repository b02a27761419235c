"""What a unit's stored days say, put together for a page: runs, starts, usual ranges, readings now.

Everything was computed by the scheduler; here it is only collected. `usual` is a picture's band,
never a judgement.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec
import numpy as np

from dashboard import phrases
from fleet.calendar import DAY_S
from fleet.calibration import true_value
from fleet.channels import CHANNELS, VOLTS
from fleet.model import Run, Scope, StartDemand, UnitSummary
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.facts.rows import UnitInputs
from scheduler.day import Day
from scheduler.day import decode as decode_day
from scheduler.rules.exercise import RunReason

USUAL_DAYS = 30
USUAL_AT_LEAST = {"always": 7, "running": 4, "starting": 4}
"""Days with a reading (with a run, with a start) below which no usual range is drawn.
Common practice, no source."""
USUAL_PERCENT = (5.0, 95.0)
"""Percentiles between which a value is usual. Common practice, no source."""

Told = Literal["always", "running", "starting"]
WHILE_RUNNING = frozenset(
    {
        "ac_v",
        "ac_l1_v",
        "ac_l2_v",
        "ac_l3_v",
        "ac_l12_v",
        "ac_l23_v",
        "ac_l31_v",
        "frequency_hz",
        "charge_v",
        "load_kw",
        "current_a",
        "oil_pressure_kpa",
        "speed_rpm",
    }
)
"""Channels that say something only while the engine turns: at rest they are near zero."""
AT_A_START = frozenset({"crank_min_v", "crank_s"})
UNRANGED = frozenset({"running", "in_auto", "run_hours_h", "start_attempts", "fuel_pct"})


class Usual(msgspec.Struct, frozen=True):
    """A unit's own usual range of a channel: low and high in its unit, over `days` days.

    low and high None: too few days. told: of which moments it speaks.
    """

    low: float | None
    high: float | None
    days: int
    told: Told


class Now(msgspec.Struct, frozen=True, kw_only=True):
    """The newest value of a channel, calibrated where a meter has been on it."""

    channel: str
    value: float
    at: int
    calibrated: bool
    checkable: bool
    """True for volts: a meter can be put on them."""
    timed: bool = True
    """False where nobody knows when it was measured."""


def days_of(registry: Registry, scope: Scope, unit: str, start: int, end: int) -> list[Day]:
    """Stored days of a unit that touch [start, end) seconds UTC, in order."""
    first, beyond = start // DAY_S, -(-end // DAY_S)
    return [decode_day(row.doc) for row in lists.days(registry, scope, unit, first, beyond)]


def runs_of(
    days: Iterable[Day],
    summary: UnitSummary | None,
    start: int,
    end: int,
    reasons: Iterable[RunReason] = (),
) -> list[Run]:
    """Runs that overlap [start, end), oldest first, with the one still going on, or in which the
    set fell silent: its day has not closed it.

    reasons: those of the assessment, which knows the agreed exercise where a day does not.
    """
    runs = {run.start: run for day in days for run in day.runs}
    last = summary.last_run if summary else None
    if last is not None and (last.end is None or last.end_seen == "gap"):
        runs.setdefault(last.start, last)
    for reason in reasons:
        run = runs.get(reason.start)
        if run is not None:
            runs[run.start] = msgspec.structs.replace(
                run, why=reason.why, confidence=reason.confidence
            )
    return [
        run
        for _, run in sorted(runs.items())
        if run.start < end and (run.end is None or run.end >= start)
    ]


def starts_of(
    days: Iterable[Day], summary: UnitSummary | None, start: int, end: int
) -> list[StartDemand]:
    """Start demands in [start, end), oldest first, with the newest the summary knows of."""
    starts = {demand.at: demand for day in days for demand in day.starts}
    last = summary.last_start if summary else None
    if last is not None:
        starts.setdefault(last.at, last)
    return [demand for at, demand in sorted(starts.items()) if start <= at < end]


def usual(days: Sequence[Day], channel: str, before: int) -> Usual:
    """The usual range of a channel over the days that ended before UTC day `before`.

    5 % of the daily least to 95 % of the daily greatest values; for what only means something
    while running, the middle 90 % of the daily greatest on days with a run. Rounded outwards to
    what is shown, so that nothing lies outside by less than can be read.
    """
    told: Told = "always"
    if channel in AT_A_START:
        told = "starting"
    elif channel in WHILE_RUNNING:
        told = "running"
    past = [day for day in days if day.day < before and channel in day.spots]
    if told == "running":
        past = [day for day in past if day.runs]
    if len(past) < USUAL_AT_LEAST[told]:
        return Usual(None, None, len(past), told)
    greatest = np.array([day.spots[channel].max for day in past])
    least = greatest if told == "running" else np.array([day.spots[channel].min for day in past])
    low, high = np.percentile(least, USUAL_PERCENT[0]), np.percentile(greatest, USUAL_PERCENT[1])
    scale = 10.0 ** phrases.decimals(channel, float(high))
    low, high = np.floor(low * scale) / scale, np.ceil(high * scale) / scale
    return Usual(float(low), float(high), len(past), told)


def readings_now(inputs: UnitInputs, now: int) -> list[Now]:
    """The newest value of every channel of the devices fitted now, in the glossary's order."""
    newest: dict[str, Now] = {}
    fitted = {
        f.device: f.id
        for f in inputs.fittings
        if (f.from_at is None or f.from_at <= now) and (f.to_at is None or f.to_at > now)
    }
    for pulse in inputs.pulses:
        fitting = fitted.get(pulse.device)
        for channel, latest in pulse.latest.items():
            if channel in newest and newest[channel].at >= latest.at:
                continue
            lines = [
                c
                for c in inputs.calibrations
                if c.fitting == fitting
                and c.channel == channel
                and (c.from_at <= latest.at or c.hour_format is not None)
            ]
            newest[channel] = Now(
                channel=channel,
                value=true_value(lines, latest.at, latest.value),
                at=latest.at,
                calibrated=bool(lines),
                checkable=channel in VOLTS,
                timed=latest.at not in inputs.unsure.get(pulse.device, ()),
            )
    order = {name: place for place, name in enumerate(CHANNELS)}
    return sorted(newest.values(), key=lambda r: (order.get(r.channel, len(order)), r.channel))
