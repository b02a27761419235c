"""What is found of volts and hertz, and how grave it is."""

from __future__ import annotations

import msgspec

from fleet.findings import AnyFacts, row_of
from fleet.findings.supply import FrequencyDrift, LegOut, VoltageDrift
from fleet.model import Evidence, Finding, Severity
from scheduler.assess.supply.basis import Basis
from scheduler.assess.supply.by_runs import hunting, unbalance, wrong_nominal
from scheduler.assess.supply.troubles import troubles
from scheduler.rules import supply
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


def findings(basis: Basis) -> tuple[Finding, ...]:
    """Every finding of volts and hertz, its severity as far as the reading has been checked."""
    possible = [*troubles(basis), *drifts(basis), hunting(basis), unbalance(basis)]
    possible += wrong_nominal(basis)
    return tuple(
        _weighed(basis, _by_lead(basis, finding)) for finding in possible if finding is not None
    )


def _by_lead(basis: Basis, finding: Finding) -> Finding:
    """Its evidence under the channels that were read, where leads sense other circuits than theirs."""
    channels = tuple(supply.lead_of(basis.plate, name) for name in finding.evidence.channels)
    if channels == finding.evidence.channels:
        return finding
    evidence = msgspec.structs.replace(finding.evidence, channels=channels)
    return msgspec.structs.replace(finding, evidence=evidence)


def _weighed(basis: Basis, finding: Finding) -> Finding:
    """Unchecked readings raise Notes only, but for dangers; so does a set that is set aside."""
    hertz = finding.evidence.channels == ("frequency_hz",)
    measured = basis.seen.hertz if hertz else basis.seen.volts
    unchecked = measured is None or not measured.checked
    facts, quiet = finding.facts, row_of(finding.facts).quiet
    severity: Severity = finding.severity
    if unchecked and severity != "note":
        facts = msgspec.structs.replace(facts, unchecked=True)
        seen = quiet.unchecked == "note_unless_seen" and _seen_alive(basis, finding.facts)
        severity = severity if quiet.unchecked == "stays" or seen else "note"
    if basis.aside and quiet.set_aside == "note" and severity != "note":
        facts = msgspec.structs.replace(facts, set_aside=basis.aside)
        severity = "note"
    return msgspec.structs.replace(finding, severity=severity, facts=facts)


def _seen_alive(basis: Basis, facts: AnyFacts) -> bool:
    """Whether the device that speaks now has read volts there before, so that its leads are fitted."""
    if isinstance(facts, LegOut):
        return not facts.not_yet
    return any(p.start >= basis.fitted_from for p in basis.volts.points)
