"""What a day gives to the rules of the starter battery."""

from __future__ import annotations

from fleet.model import Run
from scheduler.day.given import Given
from scheduler.rules import battery
from scheduler.rules.battery import BatteryCarry, BatteryDay, WatchedBattery
from scheduler.rules.runs import OpenRun
from scheduler.rules.spells import Spells
from scheduler.rules.starting import Told


def watched(
    g: Given, runs: tuple[Run, ...], going: OpenRun | None, what: Told, mains: Spells
) -> tuple[BatteryDay | None, BatteryCarry]:
    """The starter battery of the day: (what it says, or None; the open state).

    runs: closed on this day; going: the one that goes on; what: attempts as the device told of them.

    Gives: a record in volts [V], or none. Definition.
    """
    spans = [(r.start, r.end or r.last_on_at) for r in runs]
    if going is not None:
        spans.append((going.start, going.off_at or going.stop_at or going.last_on_at + 1))
    spans.sort()
    cranks = [at for _, at, _ in what.rises] + [at for at, *_ in what.dips]
    cranks += [e.at for e in g.events if e.event in ("crank", "started", "failed_to_start")]
    day = WatchedBattery(
        volts=g.of("battery_v"),
        air_c=g.of("ambient_temp_c"),
        runs=spans,
        cranks=cranks,
        mains=[(s.since, bool(s.value)) for s in mains.spells],
        nominal_v=g.facts.battery_v,
        gap_s=g.gaps.standing_s,
        afresh=bool(g.cuts),
    )
    return battery.watch(day, g.carry.battery)
