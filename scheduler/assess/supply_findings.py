"""What is found of volts and hertz, how grave it is, and what it stands on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from fleet.model import Evidence, Finding, Severity
from fleet.registry.types import UnitInputs
from scheduler.day import Day
from scheduler.rules import supply
from scheduler.rules.supply import Delay, Measured, Plate, RunPoint, SupplySeen

ANSWERS = frozenset({"visit", "task_done", "part_changed"})
"""Records of somebody at the set: a danger last seen before them has been dealt with."""
DANGERS = frozenset({"over_voltage", "open_neutral", "no_output", "standing", "stray"})
KEEP_UNCHECKED = frozenset({"volts_standing", "open_neutral", "over_voltage"})
"""Kept Act now though no meter has been on the reading, with a sentence that says so."""
OF_TROUBLE = {
    "volts": ("voltage_out", "same_day"),
    "hertz": ("frequency_out", "same_day"),
    "over_voltage": ("over_voltage", "act_now"),
    "open_neutral": ("open_neutral", "act_now"),
    "no_output": ("no_output", "act_now"),
    "standing": ("volts_standing", "act_now"),
    "stray": ("stray_volts", "note"),
}
RUNS_LOOKED = 3
RUNS_BAD = 2
"""Hunting and unbalance: the newest run, and two of the newest three. Common practice, no source."""
FAR_OFF = 1.6
"""A nominal so much higher than the register's is a wrong register, not an over-voltage."""


@dataclass(frozen=True, slots=True)
class About:
    """Everything the findings are made of. aside: why people set the unit aside, or nothing."""

    inputs: UnitInputs
    plate: Plate
    seen: SupplySeen
    points: tuple[RunPoint, ...]
    delays: Mapping[str, Delay]
    now: int
    aside: str


def still_open(inputs: UnitInputs, days: Sequence[Day], channel: str, now: int) -> dict[str, Delay]:
    """The troubles that are met and that nobody has answered since.

    Somebody at the set answers a danger; a meter on the volts answers volts out of their band.
    """
    carry = days[-1].carry.supply.delays if days else {}
    visited = max((r.at for r in inputs.records if r.kind in ANSWERS and r.at <= now), default=0)
    metered = max(
        (c.from_at for c in inputs.calibrations if c.channel == channel and c.from_at <= now),
        default=0,
    )
    answered = {"volts": metered} | dict.fromkeys(DANGERS, visited)
    return {
        kind: delay
        for kind, delay in carry.items()
        if delay.met_at is not None and delay.last_at >= answered.get(kind, 0)
    }


def findings(about: About) -> tuple[Finding, ...]:
    """Every finding of volts and hertz, its severity as far as the reading has been checked."""
    possible = [*_troubles(about), *_drifts(about), _hunting(about), _unbalance(about)]
    possible += _wrong_nominal(about)
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
        wired = finding.kind == "no_output" and bool(measured and measured.runs)
        severity = severity if kept or wired else "note"
    if about.aside and not kept and severity != "note":
        facts["set_aside"] = about.aside
        severity = "note"
    return msgspec.structs.replace(finding, severity=severity, facts=facts)


def _troubles(about: About) -> list[Finding]:
    found = []
    for trouble, delay in sorted(about.delays.items()):
        kind, severity = OF_TROUBLE[trouble]
        if _not_told(about, trouble):
            continue
        found.append(
            Finding(
                kind=kind,
                severity=severity,  # type: ignore[arg-type]
                since=delay.since,
                learned_at=delay.met_at,
                facts=_facts(about, trouble, delay),
                evidence=Evidence(
                    channels=_channels(about, trouble),
                    from_at=delay.since,
                    to_at=delay.last_at,
                    readings=delay.n,
                ),
            )
        )
    return found


def _not_told(about: About, trouble: str) -> bool:
    """Said by another finding: stray volts under a graver word, a wrong nominal's consequences."""
    wrong = about.seen.wrong_nominal
    volts = [n for n in wrong if n > 65]
    if trouble == "stray":
        return "standing" in about.delays
    if trouble == "hertz":
        return any(n <= 65 for n in wrong)
    if trouble == "volts":
        return bool(volts) or bool(about.delays.keys() & {"over_voltage", "open_neutral"})
    return trouble == "over_voltage" and any(n >= FAR_OFF * about.plate.nominal_v for n in volts)


def _channels(about: About, trouble: str) -> tuple[str, ...]:
    if trouble == "hertz":
        return ("frequency_hz",)
    if trouble == "open_neutral":
        return ("ac_l1_v", "ac_l2_v")
    return (about.seen.volts.channel,) if about.seen.volts else ("ac_v",)


def _facts(about: About, trouble: str, delay: Delay) -> dict[str, Any]:
    plate = about.plate
    if trouble in ("volts", "hertz"):
        measured = about.seen.volts if trouble == "volts" else about.seen.hertz
        return _band_facts(measured, plate, delay, trouble)
    facts: dict[str, Any] = {"nominal_v": plate.nominal_v, "last_at": delay.last_at}
    if trouble in ("over_voltage", "no_output", "standing", "stray"):
        facts["volts"] = round(delay.worst * plate.nominal_v, 1)
    if trouble == "over_voltage" and delay.worst == 0.0:
        del facts["volts"]
    return facts


def _band_facts(
    measured: Measured | None, plate: Plate, delay: Delay, trouble: str
) -> dict[str, Any]:
    band = supply.volts_band(plate) if trouble == "volts" else supply.hertz_band(plate)
    limit = band.high if delay.worst > band.nominal else band.low
    return {
        "value": round(delay.last, 2),
        "worst": round(delay.worst, 2),
        "low": band.low,
        "high": band.high,
        "nominal": band.nominal,
        "by": band.by,
        "last_at": delay.last_at,
        "share": round(abs(delay.worst - band.nominal) / abs(limit - band.nominal), 3),
        "supply": measured.supply if measured else "",
    }


def _drifts(about: About) -> list[Finding]:
    found = []
    wrong = about.seen.wrong_nominal
    for measured, kind, gone in (
        (about.seen.volts, "voltage_drift", "volts" in about.delays or any(n > 65 for n in wrong)),
        (
            about.seen.hertz,
            "frequency_drift",
            "hertz" in about.delays or any(n < 65 for n in wrong),
        ),
    ):
        drift = measured.drift if measured else None
        if (
            measured is None
            or drift is None
            or not drift.found
            or gone
            or measured.not_judged == "electronics"
        ):
            continue
        facts = {
            "moved": drift.moved,
            "per_month": drift.per_month,
            "per_month_low": drift.low,
            "per_month_high": drift.high,
            "share": drift.share,
            "runs": drift.runs,
            "by": drift.by,
            "from_at": drift.from_at,
            "limit": measured.band.high if drift.moved > 0 else measured.band.low,
            "last": measured.last,
            "crosses_from": drift.crosses_from,
            "crosses_at": drift.crosses_at,
            "crosses_to": drift.crosses_to,
        }
        found.append(
            Finding(
                kind=kind,
                severity="next_visit",
                since=drift.since or drift.to_at,
                facts={key: value for key, value in facts.items() if value is not None},
                evidence=Evidence(
                    channels=(measured.channel,),
                    from_at=drift.from_at,
                    to_at=drift.to_at,
                    readings=drift.runs,
                    note="EWMA against the as-commissioned runs, Theil-Sen, Mann-Kendall",
                ),
            )
        )
    return found


def _hunting(about: About) -> Finding | None:
    """Its hertz swing wider inside runs than the steady band allows."""
    if about.plate.inverter:
        return None
    band = supply.hertz_band(about.plate)
    limit = band.steady_pct / 100 * band.nominal
    told = [p for p in about.points if p.hertz_width is not None]
    wide = _stretch(told, [(p.hertz_width or 0.0) > limit for p in told])
    if not wide:
        return None
    width = wide[-1].hertz_width or 0.0
    return Finding(
        kind="hunting",
        severity="next_visit",
        since=wide[0].start,
        facts={
            "width_hz": width,
            "limit_hz": round(limit, 3),
            "runs": len(wide),
            "of": sum(p.start >= wide[0].start for p in told),
            "by": band.by,
            "share": round(width / limit, 3),
        },
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


def _unbalance(about: About) -> Finding | None:
    """Line to line, further apart than a network at no load may be."""
    told = [p for p in about.points if p.unbalance_pct is not None]
    bad = _stretch(told, [(p.unbalance_pct or 0.0) > supply.UNBALANCE_PCT for p in told])
    if not bad:
        return None
    pct = bad[-1].unbalance_pct or 0.0
    return Finding(
        kind="unbalance",
        severity="next_visit",
        since=bad[0].start,
        facts={
            "pct": round(pct, 2),
            "limit_pct": supply.UNBALANCE_PCT,
            "runs": len(bad),
            "share": round(pct / supply.UNBALANCE_PCT, 3),
        },
        evidence=_of_runs(("ac_l12_v", "ac_l23_v", "ac_l31_v"), bad),
    )


def _wrong_nominal(about: About) -> list[Finding]:
    found = []
    for other in about.seen.wrong_nominal:
        volts = other > 65
        first = about.points[0]
        channel = about.seen.volts.channel if volts and about.seen.volts else "frequency_hz"
        found.append(
            Finding(
                kind="wrong_nominal",
                severity="note",
                since=first.start,
                part="volts" if volts else "hertz",
                facts={
                    "nominal": about.plate.nominal_v if volts else about.plate.nominal_hz,
                    "runs_at": other,
                    "runs": len(about.points),
                },
                evidence=_of_runs((channel,), about.points),
            )
        )
    return found


def _of_runs(channels: tuple[str, ...], points: Sequence[RunPoint]) -> Evidence:
    return Evidence(
        channels=channels,
        from_at=points[0].start,
        to_at=points[-1].start,
        readings=len(points),
    )
