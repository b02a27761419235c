"""Findings of volts and hertz out of their bands, and of volts where none may be."""

from __future__ import annotations

from typing import Any

from fleet.model import Evidence, Finding
from scheduler.assess.supply.about import About
from scheduler.rules import supply
from scheduler.rules.supply import Delay, Measured, Plate

OF_TROUBLE = {
    "volts": ("voltage_out", "same_day"),
    "hertz": ("frequency_out", "same_day"),
    "over_voltage": ("over_voltage", "act_now"),
    "open_neutral": ("open_neutral", "act_now"),
    "no_output": ("no_output", "act_now"),
    "standing": ("volts_standing", "act_now"),
    "stray": ("stray_volts", "note"),
}
FAR_OFF = 1.6
"""A nominal so much higher than the register's is a wrong register, not an over-voltage."""


def troubles(about: About) -> list[Finding]:
    """A finding each for the open troubles that no other finding says."""
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
    facts: dict[str, Any]
    if trouble in ("volts", "hertz"):
        measured = about.seen.volts if trouble == "volts" else about.seen.hertz
        facts = _band_facts(measured, plate, delay, trouble)
        since = about.volts.since if trouble == "volts" else about.hertz.since
        return facts | ({"changed_at": since} if since > delay.last_at else {})
    facts = {"nominal_v": plate.nominal_v, "last_at": delay.last_at}
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
