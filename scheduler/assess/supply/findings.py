"""What is found of volts and hertz, and how grave it is."""

from __future__ import annotations

import msgspec

from fleet.findings import AnyFacts, LegOut, row_of
from fleet.model import Finding, Severity
from scheduler.assess.supply.about import About
from scheduler.assess.supply.by_runs import hunting, unbalance, wrong_nominal
from scheduler.assess.supply.drifts import drifts
from scheduler.assess.supply.troubles import troubles


def findings(about: About) -> tuple[Finding, ...]:
    """Every finding of volts and hertz, its severity as far as the reading has been checked."""
    possible = [*troubles(about), *drifts(about), hunting(about), unbalance(about)]
    possible += wrong_nominal(about)
    return tuple(_weighed(about, finding) for finding in possible if finding is not None)


def _weighed(about: About, finding: Finding) -> Finding:
    """Unchecked readings raise Notes only, but for dangers; so does a set that is set aside."""
    hertz = finding.evidence.channels == ("frequency_hz",)
    measured = about.seen.hertz if hertz else about.seen.volts
    unchecked = measured is None or not measured.checked
    facts, quiet = finding.facts, row_of(finding.facts).quiet
    severity: Severity = finding.severity
    if unchecked and severity != "note":
        facts = msgspec.structs.replace(facts, unchecked=True)
        seen = quiet.unchecked == "note_unless_seen" and _seen_alive(about, finding.facts)
        severity = severity if quiet.unchecked == "stays" or seen else "note"
    if about.aside and quiet.set_aside == "note" and severity != "note":
        facts = msgspec.structs.replace(facts, set_aside=about.aside)
        severity = "note"
    return msgspec.structs.replace(finding, severity=severity, facts=facts)


def _seen_alive(about: About, facts: AnyFacts) -> bool:
    """Whether the device that speaks now has read volts there before, so that its leads are fitted."""
    if isinstance(facts, LegOut):
        return not facts.not_yet
    return any(p.start >= about.fitted_from for p in about.volts.points)
