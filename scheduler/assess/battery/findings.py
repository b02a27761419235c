"""Findings on a starter battery and its charger, from the verdict on it.

Volts no meter has been on raise Notes only, but where the battery is compared with itself (a fall
from its own usual volts or healthy starts) or is off by far more than any meter.
"""

from __future__ import annotations

from typing import TypedDict

from fleet.findings.battery import (
    BatteryFailedCell,
    BatteryOld,
    BatteryRunsDown,
    BatteryWeak,
    ChargerFault,
    OverCharge,
)
from fleet.findings.supply import WrongNominal
from fleet.model import Evidence, Finding, Severity, Unit
from scheduler.rules.battery import FELL_V, BatterySeen, Failed
from scheduler.rules.battery.tables import AT_C, LOW_V, OVER_V

OLD_MONTHS, OLD_CODE_MONTHS = 60, 30
"""Age that is worth a word: 5 years; 24 to 30 months for a set under a code or that lives depend
on. Common practice, no source; the second NFPA 110, annex A, from memory."""
SOON_DAYS = 7.0
"""A battery that runs down within so long is worth a visit the same day. Common practice, no
source."""
ROSE_V = 1.0
"""Risen by so much over what was usual, it does not stand on the meter's own error. Common
practice, no source."""
MONTH_S = 2_629_746
"""A twelfth of a year of 365.2425 days [s]. Arithmetic."""


def of(
    unit: Unit, seen: BatterySeen, failed: Failed | None, worn: str, fell_v: float | None, now: int
) -> tuple[Finding, ...]:
    """What is found at `now`. fell_v: how far it lies under its own usual volts, per 12 V."""
    found = [
        _failed(seen, failed),
        None if failed is not None else _charger(seen, fell_v),
        _over(seen, fell_v),
        _runs_down(seen),
        None if failed is not None or seen.charge.fault == "low" else _weak(seen, worn),
        _old(unit, seen, now),
    ]
    return tuple(one for one in found if one is not None)


def wrong_nominal(seen: BatterySeen, other: float, since: int, days: int) -> Finding:
    """A note where every standing day of the battery fits another nominal [V] than the register's."""
    return Finding(
        severity="note",
        since=since,
        part="battery",
        facts=WrongNominal(quantity="battery", nominal=seen.nominal_v, runs_at=other, runs=days),
        evidence=Evidence(
            channels=("battery_v",), from_at=since, to_at=seen.volts_at, readings=days
        ),
    )


class _Battery(TypedDict):
    """What every finding on the battery has (`OfBattery`), by the names of its fields."""

    nominal_v: float
    volts_v: float | None
    unchecked: bool


def _of(seen: BatterySeen) -> _Battery:
    """The fields that are the same in every finding on this battery."""
    return _Battery(nominal_v=seen.nominal_v, volts_v=seen.volts_v, unchecked=not seen.checked)


def _whole(volts: float, seen: BatterySeen) -> float:
    """Volts of the whole battery, of a limit for one of 12 V."""
    return round(volts * seen.nominal_v / 12.0, 2)


def _severity(severity: Severity, seen: BatterySeen, relative: bool) -> Severity:
    return severity if seen.checked or relative else "note"


def _failed(seen: BatterySeen, failed: Failed | None) -> Finding | None:
    if failed is None:
        return None
    by = seen.nominal_v / 12.0
    return Finding(
        severity="same_day",
        since=failed.since,
        facts=BatteryFailedCell(
            **_of(seen),
            by=failed.by,
            before_v=round(failed.before_v * by, 2),
            after_v=round(failed.after_v * by, 2),
        ),
        evidence=Evidence(channels=("battery_v",), from_at=failed.since, to_at=seen.volts_at),
    )


def _charger(seen: BatterySeen, fell_v: float | None) -> Finding | None:
    charge = seen.charge
    if charge.fault != "low" or charge.fault_since is None:
        return None
    relative = fell_v is not None and fell_v >= FELL_V
    severity: Severity = "same_day" if charge.mains_seen else "next_visit"
    return Finding(
        severity=_severity(severity, seen, relative),
        since=charge.fault_since,
        facts=ChargerFault(
            **_of(seen),
            limit_v=_whole(LOW_V, seen),
            charger=charge.kind,
            mains_seen=charge.mains_seen,
            usual_low_v=charge.usual_low_v,
            usual_high_v=charge.usual_high_v,
            days_left=charge.days_left,
            days_left_low=charge.days_left_low,
            days_left_high=charge.days_left_high,
        ),
        evidence=Evidence(
            channels=("battery_v", "mains_v") if charge.mains_seen else ("battery_v",),
            from_at=charge.fault_since,
            to_at=seen.volts_at,
            note="12 h after a run and later, mains not off",
        ),
    )


def _over(seen: BatterySeen, fell_v: float | None) -> Finding | None:
    charge = seen.charge
    if charge.fault != "over" or charge.fault_since is None:
        return None
    return Finding(
        severity=_severity("same_day", seen, fell_v is not None and fell_v <= -ROSE_V),
        since=charge.fault_since,
        facts=OverCharge(
            **_of(seen),
            limit_v=_whole(OVER_V, seen),
            limit_at_c=AT_C,
            usual_low_v=charge.usual_low_v,
            usual_high_v=charge.usual_high_v,
        ),
        evidence=Evidence(
            channels=("battery_v", "ambient_temp_c"),
            from_at=charge.fault_since,
            to_at=seen.volts_at,
            note="limit moved with the air's warmth",
        ),
    )


def _runs_down(seen: BatterySeen) -> Finding | None:
    charge, rest = seen.charge, seen.rest
    if charge.fault != "running_down" or charge.days_left is None:
        return None
    soon = charge.days_left <= SOON_DAYS
    return Finding(
        severity=_severity("same_day" if soon else "next_visit", seen, False),
        since=charge.fault_since or rest.at or 0,
        facts=BatteryRunsDown(
            **_of(seen),
            rest_v=rest.volts_v,
            charge_pct=rest.charge_pct,
            days_left=charge.days_left,
            days_left_low=charge.days_left_low,
            days_left_high=charge.days_left_high,
            rest_at=rest.at,
        ),
        evidence=Evidence(channels=("battery_v",), to_at=rest.at, note="sag of rested volts"),
    )


def _weak(seen: BatterySeen, worn: str) -> Finding | None:
    """Replace: same day. Watch: next visit, by starts, trend or a rest under half charge."""
    crank, trend, rest = seen.cranking, seen.trend, seen.rest
    why = worn
    if not why and trend is not None and trend.falling and trend.crosses_at is not None:
        why = "trend"
    if not why and (seen.verdict, seen.why) == ("watch", "rest"):
        why = "rest"
    if not why:
        return None
    relative = why in ("cranking", "fallen", "trend")
    severity: Severity = "same_day" if why == "cranking" else "next_visit"
    crossing = trend if trend is not None and trend.falling else None
    return Finding(
        severity=_severity(severity, seen, relative),
        since=(trend.to_at if why == "trend" and trend else rest.at if why == "rest" else crank.at)
        or 0,
        facts=BatteryWeak(
            **_of(seen),
            why=why,
            crank_v=crank.volts_v,
            crank_at=crank.at,
            temp_c=crank.temp_c,
            limit_v=crank.limit_v,
            healthy_v=crank.healthy_v,
            healthy_at=crank.healthy_at,
            healthy_temp_c=crank.healthy_temp_c,
            below=crank.below or None,
            like_from=crank.like_from if why == "low" else None,
            like_starts=crank.like_starts if why == "low" else None,
            like_low=crank.like_low if why == "low" else None,
            rest_v=rest.volts_v if why == "rest" else None,
            charge_pct=rest.charge_pct if why == "rest" else None,
            per_month_v=crossing.per_month_v if crossing else None,
            crosses_at=crossing.crosses_at if crossing else None,
            crosses_from=crossing.crosses_from if crossing else None,
            crosses_to=crossing.crosses_to if crossing else None,
        ),
        evidence=Evidence(
            channels=("battery_v",) if why == "rest" else ("crank_min_v",),
            from_at=trend.from_at if trend else crank.healthy_at,
            to_at=crank.at or rest.at,
            readings=crank.starts,
            note="at rest" if why == "rest" else "compared within 8 °C",
        ),
    )


def _old(unit: Unit, seen: BatterySeen, now: int) -> Finding | None:
    if seen.fitted_at is None or seen.chemistry == "lfp":
        return None
    strict = unit.nfpa_110 or unit.criticality == "life"
    months = OLD_CODE_MONTHS if strict else OLD_MONTHS
    since = seen.fitted_at + months * MONTH_S
    if now < since:
        return None
    return Finding(
        severity="note",
        since=since,
        facts=BatteryOld(
            fitted_at=seen.fitted_at,
            months=(now - seen.fitted_at) // MONTH_S,
            usual_months=months,
        ),
        evidence=Evidence(note="by the register or the record of its change"),
    )
