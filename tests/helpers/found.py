"""Findings for tests, of any kind, with facts that are whole where a test names only some of them."""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec

from fleet.findings import KINDS, AnyFacts, Facts
from fleet.model import Evidence, Finding, Severity

Kind = TypeVar("Kind", bound=Facts)

NOW = 1_764_054_000
SINCE = NOW - 3600

REST: dict[str, dict[str, Any]] = {
    "failed_start": {"attempts": 0, "at": 0, "failures": 1, "nominal_v": 230.0},
    "not_in_auto": {"since": 0},
    "starts_unreliable": {
        "failed": 3,
        "demands": 20,
        "low": 0.7,
        "high": 0.944,
        "confidence": 0.9,
        "target": 0.95,
        "trigger": "3 of 20 (common practice)",
        "proven": False,
    },
    "harder_starting": {
        "measure": "crank_s",
        "before": 1.9,
        "now": 3.4,
        "per_month": 0.2,
        "per_month_low": 0.1,
        "per_month_high": 0.3,
        "starts": 26,
        "temp_c": 11.6,
        "from_at": 0,
        "chance": 0.001,
    },
    "not_reporting": {"limit_s": 1200},
    "clock_wrong": {"device": "d", "last_at": 0},
    "sequence_gaps": {"device": "d", "gaps": 3},
    "sim_ending": {"ends": "2026-12-31", "days_left": 29, "sim": "", "works": False},
    "data_budget": {"used_mb": 4.2, "budget_mb": 5.0, "month": "2026-11"},
    "service_due": {"name": "Service", "binds": "", "state": "due", "reason": ""},
    "oil_check_in_run": {"run_h": 8.0, "check": 1, "started_at": 0},
    "meter_reset": {"before_h": 1204.4, "after_h": 0.2},
    "meter_rolled_over": {"before_h": 65535.0, "after_h": 0.0},
    "meter_disagrees": {"meter_h": 10.0, "integrated_h": 12.0, "over_days": 30},
    "hour_format_asked": {"writes": "hours_minutes", "shown": 812.45},
    "uses_integrated_hours": {"standing_h": 1.0},
    "exercise_missed": {
        "times": 1,
        "due_at": 0,
        "wall": "2025-11-24T10:00",
        "by": "readings",
        "remind": "installer",
    },
    "exercise_short": {"due_at": 0, "remind": "installer"},
    "exercise_under_loaded": {"due_at": 0, "remind": "installer"},
    "exercise_time": {
        "offset_s": 3590,
        "agreed": "10:00",
        "real": "11:00",
        "matches": 5,
        "summer_time": True,
    },
    "code_exercise_not_met": {
        "month": "2025-10",
        "diesel": False,
        "supplemental": "",
        "asked_min": 30.0,
    },
    "mains_lost": {"since": 0, "nominal_v": 230.0},
    "mains_outage": {"area": "", "alone": False, "told": 0, "sets": 0, "sites": 0, "cover": {}},
    "own_line": {"units": 31, "of": 60, "from": 0, "to": 600},
    "undelivered": {
        "late": 0,
        "given_up": 0,
        "people": 1,
        "late_s": 300.0,
        "given_up_s": 86_400.0,
    },
    "fuel_low": {"level_pct": 9.4, "limit_pct": 10.0, "at": 0, "agreed": False},
    "battery_weak": {"nominal_v": 12.0, "why": "cranking"},
    "battery_failed_cell": {"nominal_v": 12.0, "by": "step", "before_v": 13.6, "after_v": 11.5},
    "charger_fault": {
        "nominal_v": 12.0,
        "limit_v": 13.0,
        "charger": "float",
        "mains_seen": True,
    },
    "over_charge": {"nominal_v": 12.0, "limit_v": 15.0, "limit_at_c": 25.0},
    "battery_runs_down": {"nominal_v": 12.0, "days_left": 11.2},
    "battery_old": {"fitted_at": 0, "months": 66, "usual_months": 60},
    "voltage_out": {
        "value": 205.1,
        "worst": 203.9,
        "low": 207.0,
        "high": 253.0,
        "nominal": 230.0,
        "share": 1.13,
        "by": "no class known: 10 % either way",
        "last_at": 0,
    },
    "frequency_out": {
        "value": 52.4,
        "worst": 53.0,
        "low": 47.9,
        "high": 52.1,
        "nominal": 50.0,
        "share": 1.4,
        "by": "G2",
        "last_at": 0,
    },
    "voltage_drift": {
        "moved": -9.4,
        "per_month": -0.8,
        "share": 0.41,
        "runs": 61,
        "by": "no load",
        "from_at": 0,
        "limit": 207.0,
    },
    "frequency_drift": {
        "moved": 0.81,
        "per_month": 0.07,
        "share": 0.6,
        "runs": 78,
        "by": "droop line",
        "from_at": 0,
        "limit": 52.1,
    },
    "hunting": {
        "width_hz": 1.9,
        "limit_hz": 1.25,
        "runs": 3,
        "of": 4,
        "by": "G2",
        "share": 1.5,
    },
    "unbalance": {"pct": 4.2, "limit_pct": 3.0, "runs": 2, "share": 1.4},
    "leg_out": {
        "channel": "ac_l3_v",
        "phases": "3",
        "volts": 2.0,
        "nominal_v": 230.9,
        "last_at": 0,
    },
    "open_neutral": {"nominal_v": 240.0, "last_at": 0, "high_pct": 110.0, "low_pct": 90.0},
    "over_voltage": {"nominal_v": 230.0, "last_at": 0},
    "no_output": {"nominal_v": 230.0, "last_at": 0, "volts": 0.0},
    "volts_standing": {"nominal_v": 230.0, "last_at": 0, "volts": 231.0},
    "stray_volts": {"nominal_v": 230.0, "last_at": 0, "volts": 48.0},
    "wrong_nominal": {"quantity": "volts", "nominal": 240.0, "runs_at": 208.0, "runs": 12},
}
"""What has to be known of a kind, for tests that are not about it."""


def facts_of(kind: str, **told: Any) -> AnyFacts:
    """The facts of a kind: those that are told, the others as in REST. What is None is not known. A
    name that is no kind gives what stands for a kind of an earlier version."""
    if kind not in KINDS or kind == "earlier":
        unknown: AnyFacts = msgspec.convert(
            {"kind": "earlier", "said": kind, "more": told}, AnyFacts
        )
        return unknown
    known = {field.encode_name for field in msgspec.structs.fields(KINDS[kind])}
    assert told.keys() <= known, f"{kind} has no {', '.join(sorted(told.keys() - known))}"
    whole = REST.get(kind, {}) | {name: one for name, one in told.items() if one is not None}
    found: AnyFacts = msgspec.convert(whole | {"kind": kind}, AnyFacts)
    return found


def facts_as(finding: Finding, record: type[Kind]) -> Kind:
    """The facts of a finding that is of one kind, and of no other."""
    assert isinstance(finding.facts, record)
    return finding.facts


def finding(
    kind: str,
    severity: Severity = "act_now",
    since: int = 0,
    *,
    part: str = "",
    learned_at: int | None = None,
    facts: dict[str, Any] | None = None,
    evidence: Evidence | None = None,
) -> Finding:
    """A finding of a kind."""
    return Finding(
        severity=severity,
        since=since,
        part=part,
        learned_at=learned_at,
        facts=facts_of(kind, **(facts or {})),
        evidence=evidence or Evidence(),
    )


def old(kind: str, **told: Any) -> dict[str, Any]:
    """A finding as versions before the catalogue wrote it: the kind beside its facts."""
    facts = {name: one for name, one in (REST.get(kind, {}) | told).items() if one is not None}
    for name in NOT_WRITTEN_THEN.get(kind, ()):
        facts.pop(name, None)
    part = facts.get("quantity", "") if kind == "wrong_nominal" else ""
    return {
        "kind": kind,
        "severity": "act_now",
        "since": SINCE,
        "part": REST["wrong_nominal"]["quantity"] if kind == "wrong_nominal" else part,
        "learned_at": None,
        "facts": facts,
        "evidence": {
            "channels": ["battery_v"],
            "from_at": SINCE,
            "to_at": NOW,
            "readings": 3,
            "oldest_s": None,
            "note": "",
        },
    }


NOT_WRITTEN_THEN = {
    "charger_fault": ("limit_v",),
    "over_charge": ("limit_v", "limit_at_c"),
    "open_neutral": ("high_pct", "low_pct"),
    "meter_disagrees": ("over_days",),
    "undelivered": ("late_s", "given_up_s"),
    "wrong_nominal": ("quantity",),
    "code_exercise_not_met": ("asked_min", "asked_pct", "stages"),
}
"""Facts that a finding has today and did not have before the catalogue."""
