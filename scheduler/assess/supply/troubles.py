"""Findings of volts and hertz out of their bands, and of volts where none may be."""

from __future__ import annotations

from typing import Any

from fleet.model import Evidence, Finding, Severity
from scheduler.assess.supply.about import About
from scheduler.rules import supply
from scheduler.rules.supply import Circuit, Delay, Measured, Plate

OF_TROUBLE: dict[str, tuple[str, Severity]] = {
    "volts": ("voltage_out", "same_day"),
    "hertz": ("frequency_out", "same_day"),
    "over_voltage": ("over_voltage", "act_now"),
    "open_neutral": ("open_neutral", "act_now"),
    "circuit": ("leg_out", "act_now"),
    "no_output": ("no_output", "act_now"),
    "standing": ("volts_standing", "act_now"),
    "stray": ("stray_volts", "note"),
}
GRAVER = frozenset({"over_voltage", "open_neutral", "circuit"})
"""Troubles that say of one circuit what "volts out of their band" says of the set."""
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
                severity=_of_circuit(about, delay) if trouble == "circuit" else severity,
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
        return bool(volts) or bool(about.delays.keys() & GRAVER)
    if trouble == "circuit":
        return "open_neutral" in about.delays
    return trouble == "over_voltage" and any(n >= FAR_OFF * about.plate.nominal_v for n in volts)


def _of_circuit(about: About, delay: Delay) -> Severity:
    """Act now of a dead circuit, Same day of one that is far too low; Next visit of one that has
    never shown volts, which may be a lead that was never fitted."""
    worst = _worst(about, low=True)
    if worst is not None and not live_before(about, worst.channel):
        return "next_visit"
    return "act_now" if delay.worst < supply.DEAD_SHARE else "same_day"


def live_before(about: About, channel: str) -> bool:
    """Whether a circuit was seen alive in any run of a year that its present device reported."""
    return any(
        c.channel == channel and c.volts >= supply.DEAD_SHARE * c.nominal
        for point in about.points
        if point.start >= about.fitted_from
        for c in point.circuits
    )


def _worst(about: About, *, low: bool) -> Circuit | None:
    """The circuit of the newest run that is farthest under (else over) its nominal."""
    for point in reversed(about.points):
        mine = [c for c in point.circuits if (c.last < c.nominal) == low]
        if point.circuits:
            return supply.worst(mine)
    return None


def _channels(about: About, trouble: str) -> tuple[str, ...]:
    if trouble == "hertz":
        return ("frequency_hz",)
    if trouble == "circuit" and (worst := _worst(about, low=True)) is not None:
        return (worst.channel,)
    if trouble == "open_neutral":
        last = next((p.circuits for p in reversed(about.points) if p.circuits), ())
        apart = tuple(c.channel for c in last if c.channel in supply.TO_NEUTRAL)
        return apart or ("ac_l1_v", "ac_l2_v")
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
    if trouble in ("circuit", "over_voltage"):
        worst = _worst(about, low=trouble == "circuit")
        if worst is not None and (trouble == "circuit" or not supply.good(worst)):
            return facts | _circuit_facts(about, worst, delay)
    if trouble in ("over_voltage", "no_output", "standing", "stray"):
        facts["volts"] = round(delay.worst * plate.nominal_v, 1)
    if trouble == "over_voltage" and delay.worst == 0.0:
        del facts["volts"]
    return facts


def _circuit_facts(about: About, worst: Circuit, delay: Delay) -> dict[str, Any]:
    """Which circuit, its volts in the newest run, and its own nominal [V]."""
    facts: dict[str, Any] = {
        "channel": worst.channel,
        "volts": worst.last,
        "nominal_v": worst.nominal,
        "phases": about.plate.phases,
        "last_at": delay.last_at,
    }
    if not live_before(about, worst.channel):
        facts["not_yet"] = True
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
