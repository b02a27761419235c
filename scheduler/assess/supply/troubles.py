"""Findings of volts and hertz out of their bands, and of volts where none may be."""

from __future__ import annotations

from typing import Any

from fleet.model import Evidence, Finding, Severity
from scheduler.assess.supply.about import About, circuit_of, trouble_of
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
"""A nominal so much higher than the register's is a wrong register, not an over-voltage. Common
practice, no source."""


def troubles(about: About) -> list[Finding]:
    """A finding each for the kinds of open troubles that no other finding says."""
    found = []
    open_ = {trouble_of(name) for name in about.delays}
    for trouble in sorted(open_):
        kind, severity = OF_TROUBLE[trouble]
        if _not_told(about, trouble, open_):
            continue
        name = _gravest(about, trouble)
        delay, mine = about.delays[name], _of(about, trouble)
        found.append(
            Finding(
                kind=kind,
                severity=_of_circuit(about, name) if trouble == "circuit" else severity,
                since=min(one.since for one in mine),
                learned_at=min((m for one in mine if (m := one.met_at) is not None), default=None),
                facts=_facts(about, trouble, name),
                evidence=Evidence(
                    channels=_channels(about, trouble, name),
                    from_at=min(one.since for one in mine),
                    to_at=max(one.last_at for one in mine),
                    readings=delay.n,
                ),
            )
        )
    return found


def _of(about: About, trouble: str) -> list[Delay]:
    return [delay for name, delay in about.delays.items() if trouble_of(name) == trouble]


def _gravest(about: About, trouble: str) -> str:
    """The delay of a trouble that is told: of several circuits one that has been alive, and of those
    the farthest off."""
    names = [name for name in sorted(about.delays) if trouble_of(name) == trouble]
    low = -1 if trouble == "circuit" else 1
    return max(
        names,
        key=lambda name: (
            not circuit_of(name) or live_before(about, circuit_of(name)),
            low * about.delays[name].worst,
        ),
    )


def _not_told(about: About, trouble: str, open_: set[str]) -> bool:
    """Said by another finding: stray volts under a graver word, a wrong nominal's consequences."""
    wrong = about.seen.wrong_nominal
    volts = [n for n in wrong if n > 65]
    if trouble == "stray":
        return "standing" in open_
    if trouble == "hertz":
        return any(n <= 65 for n in wrong)
    if trouble == "volts":
        return bool(volts) or bool(open_ & GRAVER)
    if trouble == "circuit":
        return "open_neutral" in open_
    return trouble == "over_voltage" and any(n >= FAR_OFF * about.plate.nominal_v for n in volts)


def _of_circuit(about: About, name: str) -> Severity:
    """Act now of a dead circuit, Same day of one that is far too low; Next visit of one that has
    never shown volts, which may be a lead that was never fitted."""
    if not live_before(about, circuit_of(name)):
        return "next_visit"
    return "act_now" if about.delays[name].worst < supply.DEAD_SHARE else "same_day"


def live_before(about: About, channel: str) -> bool:
    """Whether a circuit was seen alive in any run of a year that its present device reported.

    Gives: yes or no. Definition.
    """
    return any(
        c.channel == channel and c.volts >= supply.DEAD_SHARE * c.nominal
        for point in about.points
        if point.start >= about.fitted_from
        for c in point.circuits
    )


def _newest(about: About, channel: str) -> Circuit | None:
    """How a circuit stood in the newest run that read it."""
    return next(
        (c for point in reversed(about.points) for c in point.circuits if c.channel == channel),
        None,
    )


def _channels(about: About, trouble: str, name: str) -> tuple[str, ...]:
    if trouble == "hertz":
        return ("frequency_hz",)
    if trouble == "open_neutral":
        last = next((p.circuits for p in reversed(about.points) if p.circuits), ())
        apart = tuple(c.channel for c in last if c.channel in supply.TO_NEUTRAL)
        return apart or ("ac_l1_v", "ac_l2_v")
    if circuit_of(name):
        return (circuit_of(name),)
    return (about.seen.volts.channel,) if about.seen.volts else ("ac_v",)


def _facts(about: About, trouble: str, name: str) -> dict[str, Any]:
    plate, delay = about.plate, about.delays[name]
    facts: dict[str, Any]
    if trouble in ("volts", "hertz"):
        measured = about.seen.volts if trouble == "volts" else about.seen.hertz
        facts = _band_facts(measured, plate, delay, trouble)
        since = about.volts.since if trouble == "volts" else about.hertz.since
        return facts | ({"changed_at": since} if since > delay.last_at else {})
    facts = {"nominal_v": plate.nominal_v, "last_at": delay.last_at}
    if circuit_of(name):
        return facts | _circuit_facts(about, circuit_of(name), delay)
    if trouble in ("over_voltage", "no_output", "standing", "stray"):
        facts["volts"] = round(delay.worst * plate.nominal_v, 1)
    if trouble == "over_voltage" and delay.worst == 0.0:
        del facts["volts"]
    return facts


def _circuit_facts(about: About, channel: str, delay: Delay) -> dict[str, Any]:
    """Which circuit, its volts at worst, and its own nominal [V]."""
    facts: dict[str, Any] = {"channel": channel, "phases": about.plate.phases}
    newest = _newest(about, channel)
    nominal = newest.nominal if newest is not None else _nominal(about, channel)
    facts |= {"volts": round(delay.worst * nominal, 1), "nominal_v": nominal}
    if not live_before(about, channel):
        facts["not_yet"] = True
    return facts


def _nominal(about: About, channel: str) -> float:
    """A circuit's nominal where no run read it: as the set is known to be connected."""
    own = supply.nominals(about.plate, {channel: 0.0}, about.system)
    return round(own.get(channel, about.plate.nominal_v), 1)


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
