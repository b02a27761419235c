"""What is found of volts and hertz, and how grave it is."""

from __future__ import annotations

import msgspec

from fleet.findings import AnyFacts, LegOut, row_of
from fleet.model import Finding, Severity
from scheduler.assess.supply.basis import Basis
from scheduler.assess.supply.by_runs import hunting, unbalance, wrong_nominal
from scheduler.assess.supply.drifts import drifts
from scheduler.assess.supply.troubles import troubles


def findings(basis: Basis) -> tuple[Finding, ...]:
    """Every finding of volts and hertz, its severity as far as the reading has been checked."""
    possible = [*troubles(basis), *drifts(basis), hunting(basis), unbalance(basis)]
    possible += wrong_nominal(basis)
    return tuple(_weighed(basis, finding) for finding in possible if finding is not None)


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
