"""Findings of volts and hertz that drift towards a limit."""

from __future__ import annotations

from fleet.findings import FrequencyDrift, VoltageDrift
from fleet.model import Evidence, Finding
from scheduler.assess.supply.basis import Basis
from scheduler.rules.supply import Measured


def drifts(basis: Basis) -> list[Finding]:
    """Volts and hertz that move towards a limit, where nothing graver says so already."""
    seen = basis.seen
    volts_gone = "volts" in basis.delays or seen.wrong_volts is not None
    hertz_gone = "hertz" in basis.delays or seen.wrong_hertz is not None
    possible = [
        None if volts_gone else _drift(VoltageDrift, seen.volts),
        None if hertz_gone else _drift(FrequencyDrift, seen.hertz),
    ]
    return [finding for finding in possible if finding is not None]


def _drift(
    record: type[VoltageDrift | FrequencyDrift], measured: Measured | None
) -> Finding | None:
    drift = measured.drift if measured else None
    if measured is None or drift is None or not drift.found:
        return None
    if measured.not_judged == "electronics":
        return None
    return Finding(
        severity="next_visit",
        since=drift.since or drift.to_at,
        facts=record(
            moved=drift.moved,
            per_month=drift.per_month,
            per_month_low=drift.low,
            per_month_high=drift.high,
            share=drift.share,
            runs=drift.runs,
            by=drift.by,
            from_at=drift.from_at,
            limit=measured.band.high if drift.moved > 0 else measured.band.low,
            last=measured.last,
            crosses_from=drift.crosses_from,
            crosses_at=drift.crosses_at,
            crosses_to=drift.crosses_to,
        ),
        evidence=Evidence(
            channels=(measured.channel,),
            from_at=drift.from_at,
            to_at=drift.to_at,
            readings=drift.runs,
            note="EWMA against the as-commissioned runs, Theil-Sen, Mann-Kendall",
        ),
    )
