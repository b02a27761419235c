"""One unit and what is known of it, for tests of verdicts: a steady device that speaks every 15 min."""

from __future__ import annotations

from fleet.model import (
    Customer,
    Fitting,
    Habit,
    Latest,
    Pulse,
    RunningSignal,
    SignalChannel,
    Site,
    Unit,
)
from fleet.registry.facts.rows import UnitInputs

T0 = 1_795_590_000 // 86_400 * 86_400
HABIT = Habit(mode="steady", standing_s=900, running_s=60, source="register")
UNIT = Unit(
    id="U",
    site="S",
    customer="C",
    nominal_v=230.0,
    nominal_hz=50.0,
    service_plan="",
    running=RunningSignal(first=SignalChannel("ac_v", 200.0, 180.0)),
    habit=HABIT,
)


def inputs(newest: int, volts: float, unit: Unit = UNIT) -> UnitInputs:
    """A fitted unit whose device was heard at `newest` with these mains volts."""
    pulse = Pulse(
        device="D", heard_at=newest, newest_at=newest, latest={"mains_v": Latest(newest, volts)}
    )
    return UnitInputs(
        unit=unit,
        site=Site(id="S", customer="C", name="Mill", time_zone="Europe/Madrid"),
        customer=Customer(id="C", name="Farm"),
        fittings=(Fitting(id="F", device="D", unit="U"),),
        calibrations=(),
        records=(),
        plan=None,
        pulses=(pulse,),
        facts_seq=1,
    )
