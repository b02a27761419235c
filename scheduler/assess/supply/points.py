"""One point a run, of the days it lay in."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from scheduler.day import Day
from scheduler.rules.supply import Circuit, RunPoint

YEAR_S = 365 * 86_400
"""Runs of so long are looked at: a year. Definition."""


def points_of(days: Sequence[Day], now: int) -> tuple[RunPoint, ...]:
    """One point a run: the parts of a run over midnight put together, the mean of their medians
    weighted by their samples.

    Gives: records in volts [V] and hertz [Hz]. Arithmetic.
    """
    by_start: dict[int, RunPoint] = {}
    for day in days:
        for point in day.supply.points if day.supply else ():
            if now - YEAR_S < point.start <= now:
                before = by_start.get(point.start)
                by_start[point.start] = point if before is None else _joined(before, point)
    return tuple(by_start[start] for start in sorted(by_start))


def _joined(one: RunPoint, two: RunPoint) -> RunPoint:
    more = two if two.volts_n + two.hertz_n > one.volts_n + one.hertz_n else one
    return msgspec.structs.replace(
        more,
        volts_n=one.volts_n + two.volts_n,
        volts=_mean(one.volts, one.volts_n, two.volts, two.volts_n),
        hertz_n=one.hertz_n + two.hertz_n,
        hertz=_mean(one.hertz, one.hertz_n, two.hertz, two.hertz_n),
        circuits=_circuits(one, two),
        load_kw=_mean(one.load_kw, one.volts_n or 1, two.load_kw, two.volts_n or 1),
    )


def _circuits(one: RunPoint, two: RunPoint) -> tuple[Circuit, ...]:
    """Each circuit as the later part of the run has it that read it."""
    newer = {circuit.channel for circuit in two.circuits}
    return (*(c for c in one.circuits if c.channel not in newer), *two.circuits)


def _mean(one: float | None, n: int, two: float | None, m: int) -> float | None:
    if one is None or two is None:
        return two if one is None else one
    return round((one * n + two * m) / (n + m), 3)
