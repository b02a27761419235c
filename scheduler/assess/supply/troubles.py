"""Findings of volts and hertz out of their bands, and of volts where none may be."""

from __future__ import annotations

from typing import Any, assert_never

from fleet.findings.supply import (
    FrequencyOut,
    LegOut,
    NoOutput,
    OpenNeutral,
    OverVoltage,
    StrayVolts,
    SupplyFacts,
    VoltageOut,
    VoltsStanding,
)
from fleet.model import Evidence, Finding, Severity
from scheduler.assess.supply.basis import Basis, circuit_of, trouble_of
from scheduler.rules import supply
from scheduler.rules.supply import Circuit, Delay, Quantity, Trouble
from scheduler.rules.supply.legs import LEG_HIGH, LEG_LOW

OF_TROUBLE: dict[Trouble, Severity] = {
    "volts": "same_day",
    "hertz": "same_day",
    "over_voltage": "act_now",
    "high": "same_day",
    "open_neutral": "act_now",
    "circuit": "act_now",
    "no_output": "act_now",
    "standing": "act_now",
    "stray": "note",
}
GRAVER = frozenset({"over_voltage", "open_neutral", "circuit"})
"""Troubles that say of one circuit what "volts out of their band" says of the set."""
FAR_OFF = 1.6
"""A nominal so much higher than the register's is a wrong register, not an over-voltage. Common
practice, no source."""


def troubles(basis: Basis) -> list[Finding]:
    """A finding each for the kinds of open troubles that no other finding says."""
    found = []
    open_: set[Trouble] = {trouble_of(name) for name in basis.delays}
    for trouble in sorted(open_):
        severity = OF_TROUBLE[trouble]
        if _not_told(basis, trouble, open_):
            continue
        name = _gravest(basis, trouble)
        delay, mine = basis.delays[name], _of(basis, trouble)
        found.append(
            Finding(
                severity=_of_circuit(basis, name) if trouble == "circuit" else severity,
                since=min(one.since for one in mine),
                learned_at=min((m for one in mine if (m := one.met_at) is not None), default=None),
                facts=_facts(basis, trouble, name),
                evidence=Evidence(
                    channels=_channels(basis, trouble, name),
                    from_at=min(one.since for one in mine),
                    to_at=max(one.last_at for one in mine),
                    readings=delay.n,
                ),
            )
        )
    return found


def _of(basis: Basis, trouble: Trouble) -> list[Delay]:
    return [delay for name, delay in basis.delays.items() if trouble_of(name) == trouble]


def _gravest(basis: Basis, trouble: Trouble) -> str:
    """The delay of a trouble that is told: of several circuits one that has been alive, and of those
    the farthest off."""
    names = [name for name in sorted(basis.delays) if trouble_of(name) == trouble]
    low = -1 if trouble == "circuit" else 1
    return max(
        names,
        key=lambda name: (
            not circuit_of(name) or live_before(basis, circuit_of(name)),
            low * basis.delays[name].worst,
        ),
    )


def _not_told(basis: Basis, trouble: Trouble, open_: set[Trouble]) -> bool:
    """Said by another finding: stray volts under a graver word, a wrong nominal's consequences."""
    volts = basis.seen.wrong_volts
    if trouble == "stray":
        return "standing" in open_
    if trouble == "hertz":
        return basis.seen.wrong_hertz is not None
    if trouble == "volts":
        return volts is not None or bool(open_ & GRAVER)
    if trouble == "high":
        return volts is not None or bool(open_ & {"over_voltage", "open_neutral", "volts"})
    if trouble == "circuit":
        return "open_neutral" in open_
    far_off = volts is not None and volts >= FAR_OFF * basis.plate.nominal_v
    return trouble == "over_voltage" and far_off


def _of_circuit(basis: Basis, name: str) -> Severity:
    """Act now of a dead circuit, Same day of one that is far too low; Next visit of one that has
    never shown volts, which may be a lead that was never fitted."""
    if not live_before(basis, circuit_of(name)):
        return "next_visit"
    return "act_now" if basis.delays[name].worst < supply.DEAD_SHARE else "same_day"


def live_before(basis: Basis, channel: str) -> bool:
    """Whether a circuit was seen alive in any run of a year that its present device reported.

    Gives: yes or no. Definition.
    """
    return any(
        c.channel == channel and c.volts >= supply.DEAD_SHARE * c.nominal
        for point in basis.points
        if point.start >= basis.fitted_from
        for c in point.circuits
    )


def _newest(basis: Basis, channel: str) -> Circuit | None:
    """How a circuit stood in the newest run that read it."""
    return next(
        (c for point in reversed(basis.points) for c in point.circuits if c.channel == channel),
        None,
    )


def _channels(basis: Basis, trouble: Trouble, name: str) -> tuple[str, ...]:
    if trouble == "hertz":
        return ("frequency_hz",)
    if trouble == "open_neutral":
        last = next((p.circuits for p in reversed(basis.points) if p.circuits), ())
        apart = tuple(c.channel for c in last if c.channel in supply.TO_NEUTRAL)
        return apart or ("ac_l1_v", "ac_l2_v")
    if circuit_of(name):
        return (circuit_of(name),)
    return (basis.seen.volts.channel,) if basis.seen.volts else ("ac_v",)


def _facts(basis: Basis, trouble: Trouble, name: str) -> SupplyFacts:
    """The record of an open trouble."""
    delay, nominal_v = basis.delays[name], basis.plate.nominal_v
    at = delay.last_at
    volts = round(delay.worst * nominal_v, 1)
    match trouble:
        case "volts":
            return VoltageOut(**_band(basis, delay, "volts"))
        case "hertz":
            return FrequencyOut(**_band(basis, delay, "hertz"))
        case "circuit":
            return LegOut(last_at=at, **_circuit(basis, circuit_of(name), delay))
        case "over_voltage" if circuit_of(name):
            return OverVoltage(last_at=at, **_circuit(basis, circuit_of(name), delay))
        case "high":
            return _high(basis, circuit_of(name), delay)
        case "over_voltage":
            told = None if delay.worst == 0.0 else volts
            return OverVoltage(nominal_v=nominal_v, last_at=at, volts=told)
        case "open_neutral":
            return OpenNeutral(
                nominal_v=nominal_v,
                last_at=at,
                high_pct=round(100 * LEG_HIGH, 1),
                low_pct=round(100 * LEG_LOW, 1),
            )
        case "no_output":
            return NoOutput(nominal_v=nominal_v, last_at=at, volts=volts)
        case "standing":
            return VoltsStanding(nominal_v=nominal_v, last_at=at, volts=volts)
        case "stray":
            return StrayVolts(nominal_v=nominal_v, last_at=at, volts=volts)
        case _:
            assert_never(trouble)


def _circuit(basis: Basis, channel: str, delay: Delay) -> dict[str, Any]:
    """Which circuit, its volts at worst, and its own nominal [V]."""
    newest = _newest(basis, channel)
    nominal = newest.nominal if newest is not None else _nominal(basis, channel)
    return {
        "channel": channel,
        "phases": basis.plate.phases,
        "volts": round(delay.worst * nominal, 1),
        "nominal_v": nominal,
        "not_yet": not live_before(basis, channel),
    }


def _high(basis: Basis, channel: str, delay: Delay) -> VoltageOut:
    """A circuit over what equipment stands for good, or over the installer's own limit."""
    of = _circuit(basis, channel, delay)
    nominal, most = of["nominal_v"], supply.standing_share(basis.plate)
    return VoltageOut(
        value=round(delay.last * nominal, 2),
        worst=round(delay.worst * nominal, 2),
        low=round(nominal * supply.LOW_SHARE, 2),
        high=round(nominal * most, 2),
        nominal=nominal,
        by="the installer's own" if most > supply.STANDING_SHARE else "ITI (CBEMA) curve",
        last_at=delay.last_at,
        share=round((delay.worst - 1) / (most - 1), 3),
        channel=channel,
        phases=basis.plate.phases,
    )


def _nominal(basis: Basis, channel: str) -> float:
    """A circuit's nominal where no run read it: as the set is known to be connected."""
    own = supply.nominals(basis.plate, {channel: 0.0}, basis.system)
    return round(own.get(channel, basis.plate.nominal_v), 1)


def _band(basis: Basis, delay: Delay, quantity: Quantity) -> dict[str, Any]:
    """What is said of volts or hertz out of their band."""
    of_volts = quantity == "volts"
    measured = basis.seen.volts if of_volts else basis.seen.hertz
    band = supply.volts_band(basis.plate) if of_volts else supply.hertz_band(basis.plate)
    changed = (basis.volts if of_volts else basis.hertz).since
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
        "changed_at": changed if changed > delay.last_at else None,
    }
