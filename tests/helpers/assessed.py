"""One unit and what is known of it, day by day."""

from __future__ import annotations

import msgspec

from fleet.model import (
    Customer,
    Finding,
    Fitting,
    Habit,
    HoursRise,
    Pulse,
    Record,
    Run,
    RunningSignal,
    SignalChannel,
    Site,
    StartDemand,
    Unit,
)
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import Assessment
from scheduler.day import Carry, Day
from scheduler.rules.hours import MeterCarry

DAY = 86_400


D0 = 20_000


T0 = D0 * DAY


HABIT = Habit(standing_s=900, running_s=60, source="register")


def unit(**fields: object) -> Unit:
    signal = RunningSignal(first=SignalChannel("ac_v", 200, 180))
    base = Unit(
        id="u",
        site="s",
        customer="c",
        nominal_v=230,
        nominal_hz=50,
        running=signal,
        service_plan="p",
        habit=HABIT,
    )
    return msgspec.structs.replace(base, **fields)


def inputs(
    heard_at: int | None = T0 + 12 * 3600, *, the_unit: Unit | None = None, **fields: object
) -> UnitInputs:
    pulse = Pulse(device="d", heard_at=heard_at, newest_at=heard_at)
    base = UnitInputs(
        unit=the_unit or unit(),
        site=Site(id="s", customer="c", name="S", time_zone="UTC"),
        customer=Customer(id="c", name="C"),
        fittings=(Fitting(id="f", device="d", unit="u"),),
        calibrations=(),
        records=(),
        plan=None,
        pulses=(pulse,),
        facts_seq=1,
    )
    return msgspec.structs.replace(base, **fields)


def day(n: int = 0, **fields: object) -> Day:
    base = Day(unit="u", day=D0 + n, n=96, first_at=T0 + n * DAY, last_at=T0 + n * DAY + 86_000)
    return msgspec.structs.replace(base, **fields)


def record(kind: str, at: int, **facts: object) -> Record:
    return Record(id=f"r-{kind}-{at}", at=at, by="ann", unit="u", kind=kind, facts=facts)  # type: ignore[arg-type]


def demand(at: int, end: str, attempts: int = 3, **fields: object) -> StartDemand:
    return StartDemand(at=at, attempts=attempts, end=end, seen_by=("crank",), **fields)  # type: ignore[arg-type]


def a_run(start: int, length: int = 600, **fields: object) -> Run:
    base = Run(
        start=start,
        end=start + length,
        start_seen="observed",
        end_seen="observed",
        last_on_at=start + length,
    )
    return msgspec.structs.replace(base, **fields)


def found(verdict: Assessment, kind: str) -> Finding | None:
    return next((f for f in verdict.findings if f.kind == kind), None)


def metered(n: int, hours: float, value: float, **fields: object) -> Day:
    """A day on which the meter gained `hours` evenly and ended at `value`."""
    start = T0 + n * DAY
    rise = HoursRise(from_at=start, to_at=start + DAY, hours_h=hours)
    return day(
        n, hours=(rise,), carry=Carry(meter=MeterCarry(max_h=value, at=start + DAY)), **fields
    )
