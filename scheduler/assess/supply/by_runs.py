"""What is found by comparing whole runs: hunting, unbalance, a wrong nominal."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.findings.supply import Hunting, Unbalance, WrongNominal
from fleet.model import Evidence, Finding
from scheduler.assess import epochs
from scheduler.assess.supply.basis import Basis
from scheduler.assess.supply.quantity import PARTS, History
from scheduler.rules import supply
from scheduler.rules.supply import RunPoint

LINES = ("ac_l12_v", "ac_l23_v", "ac_l31_v")
RUNS_LOOKED = 3
RUNS_BAD = 2
"""Hunting and unbalance: the newest run, and two of the newest three. Common practice, no source."""


def hunting(basis: Basis) -> Finding | None:
    """Its hertz swing wider inside runs than the steady band allows."""
    if basis.plate.inverter:
        return None
    band = supply.hertz_band(basis.plate)
    limit = band.steady_pct / 100 * band.nominal
    told = [p for p in basis.hertz.own if p.hertz_width is not None]
    wide = _stretch(told, [(p.hertz_width or 0.0) > limit for p in told])
    if not wide:
        return None
    width = wide[-1].hertz_width or 0.0
    return Finding(
        severity="next_visit",
        since=wide[0].start,
        facts=Hunting(
            width_hz=width,
            limit_hz=round(limit, 3),
            runs=len(wide),
            of=sum(p.start >= wide[0].start for p in told),
            by=band.by,
            share=round(width / limit, 3),
        ),
        evidence=_of_runs(("frequency_hz",), wide),
    )


def _stretch(told: Sequence[RunPoint], bad: Sequence[bool]) -> list[RunPoint]:
    """The bad runs up to the newest one, back to where two of three were good; or none."""
    found: list[RunPoint] = []
    k = len(told)
    while k > 0 and sum(bad[max(0, k - RUNS_LOOKED) : k]) >= RUNS_BAD:
        k -= 1
        if bad[k]:
            found.insert(0, told[k])
    first = k - 1
    if found and first >= 0 and bad[first]:
        found.insert(0, told[first])
    return found if found and bad[-1] else []


def unbalance(basis: Basis) -> Finding | None:
    """Line to line, further apart than a network at no load may be."""
    told = [
        p for p in basis.points if p.unbalance_pct is not None and p.start >= _lines_from(basis)
    ]
    bad = _stretch(told, [(p.unbalance_pct or 0.0) > supply.UNBALANCE_PCT for p in told])
    if not bad:
        return None
    pct = bad[-1].unbalance_pct or 0.0
    return Finding(
        severity="next_visit",
        since=bad[0].start,
        facts=Unbalance(
            pct=round(pct, 2),
            limit_pct=supply.UNBALANCE_PCT,
            runs=len(bad),
            share=round(pct / supply.UNBALANCE_PCT, 3),
        ),
        evidence=_of_runs(LINES, bad),
    )


def _lines_from(basis: Basis) -> int:
    """Since when its lines read against each other as they do now, with the alternator of now."""
    lines = (epochs.line_from(basis.inputs, channel, basis.now) for channel in LINES)
    parts = epochs.parts_changed(basis.inputs, PARTS["volts"], basis.now)
    return max([*lines, *parts])


def wrong_nominal(basis: Basis) -> list[Finding]:
    """A note where every run of its device was at another nominal than the register says."""
    seen, plate = basis.seen, basis.plate
    found = []
    if seen.wrong_volts is not None:
        channel = seen.volts.channel if seen.volts else "ac_v"
        found.append(_nominal(basis.volts, plate.nominal_v, seen.wrong_volts, channel))
    if seen.wrong_hertz is not None:
        found.append(_nominal(basis.hertz, plate.nominal_hz, seen.wrong_hertz, "frequency_hz"))
    return found


def _nominal(history: History, nominal: float, runs_at: float, channel: str) -> Finding:
    runs = history.newest
    return Finding(
        severity="note",
        since=runs[0].start,
        part=history.quantity,
        facts=WrongNominal(
            quantity=history.quantity, nominal=nominal, runs_at=runs_at, runs=len(runs)
        ),
        evidence=_of_runs((channel,), runs),
    )


def _of_runs(channels: tuple[str, ...], points: Sequence[RunPoint]) -> Evidence:
    return Evidence(
        channels=channels,
        from_at=points[0].start,
        to_at=points[-1].start,
        readings=len(points),
    )
