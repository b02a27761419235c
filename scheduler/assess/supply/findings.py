"""What is found of volts and hertz, and how grave it is."""

from __future__ import annotations

import msgspec

from fleet.model import Finding, Severity
from scheduler.assess.supply.about import About
from scheduler.assess.supply.by_runs import hunting, unbalance, wrong_nominal
from scheduler.assess.supply.drifts import drifts
from scheduler.assess.supply.troubles import troubles

KEEP_UNCHECKED = frozenset({"volts_standing", "open_neutral", "over_voltage"})
"""Kept Act now though no meter has been on the reading, with a sentence that says so."""


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
    facts = dict(finding.facts)
    severity: Severity = finding.severity
    kept = finding.kind in KEEP_UNCHECKED
    if unchecked and severity != "note":
        facts["unchecked"] = True
        wired = finding.kind == "no_output" and any(
            p.start >= about.fitted_from for p in about.volts.points
        )
        wired |= finding.kind == "leg_out" and "not_yet" not in facts
        severity = severity if kept or wired else "note"
    if about.aside and not kept and severity != "note":
        facts["set_aside"] = about.aside
        severity = "note"
    return msgspec.structs.replace(finding, severity=severity, facts=facts)
