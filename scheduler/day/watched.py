"""What a day gives to the rules of the starter battery, and of volts and hertz."""

from __future__ import annotations

from fleet.model import Run
from scheduler.day.inputs import DayInputs
from scheduler.rules import battery, supply, warmth
from scheduler.rules.battery import BatteryCarry, BatteryDay, WatchedBattery
from scheduler.rules.runs import OpenRun
from scheduler.rules.spells import Spells
from scheduler.rules.starting import Told


def watched_battery(
    g: DayInputs, runs: tuple[Run, ...], going: OpenRun | None, what: Told, mains: Spells
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


def watched_supply(
    g: DayInputs, runs: tuple[Run, ...], going: OpenRun | None, what: Told
) -> tuple[supply.SupplyDay | None, supply.SupplyCarry]:
    """Volts and hertz of the day: (what it says, or None; the open state).

    runs: closed on this day; going: the one that goes on; what: attempts as the device told of them.

    Gives: a record in volts [V] and hertz [Hz], or none. Definition.
    """
    if g.facts.plate is None:
        return None, g.carry.supply
    spans = [(r.start, (r.end or r.last_on_at) + (r.end_seen == "gap")) for r in runs]
    if going is not None:
        spans.append((going.start, going.off_at or going.stop_at or going.last_on_at + 1))
    spans.sort()
    signal = g.facts.signal
    signs = [at for _, at, _ in what.rises] + [at for at, *_ in what.dips]
    signs += [e.at for e in g.events if e.event in ("crank", "started")]
    parts = (signal.first, signal.second) if signal.second else (signal.first,)
    names = (*supply.CHANNELS, *(part.channel for part in parts))
    day = supply.WatchedDay(
        plate=g.facts.plate,
        series=supply.by_circuit(
            g.facts.plate, {name: g.of(name) for name in names if name in g.series}
        ),
        runs=spans,
        temps_c=[warmth.before(start, g.series) for start, _ in spans],
        parts=parts,
        signs=signs,
        over_voltage=[e.at for e in g.events if e.event == "over_voltage"],
        standing_s=g.gaps.standing_s,
        running_s=g.gaps.running_s,
        heard=g.heard if g.gaps.holds else None,
        mains_v=g.mains_v,
    )
    return supply.watch(day, g.carry.supply)
