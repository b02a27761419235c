"""Runs with what belongs to them: who began them and why, energy and peak load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from fleet.model import DemandEnd, Run, Series
from scheduler.day.inputs import DayInputs
from scheduler.rules import energy, reason, runs, starting
from scheduler.rules.runs import RunsCarry
from scheduler.rules.spells import Spell, Spells


def begun(found: runs.Found, auto: Spells) -> list[starting.Begun]:
    """The runs that began on this day, the open one too, each with whether the switch was out of
    automatic.

    Gives: records. Definition.
    """
    known = {run.start: run for run in found.runs}
    if found.carry.run is not None:
        known[found.carry.run.start] = runs.ended(found.carry.run, None, "open")
    found_begun = []
    for start in found.begun:
        switch = auto.at(start)
        out = switch is not None and switch.value == 0
        found_begun.append(starting.Begun(known[start], hand=out))
    return found_begun


@dataclass(frozen=True, slots=True)
class Whole:
    """Runs with their reason, energy and peak, and the open state of the run that goes on."""

    runs: tuple[Run, ...]
    carry: RunsCarry


def explain(
    g: DayInputs,
    found: runs.Found,
    started: Sequence[starting.Begun],
    starts: starting.Found,
    mains: Spells,
) -> Whole:
    """Give the day's runs, closed and open, their reason, energy and peak load.

    Gives: records in watt seconds [Ws] and kilowatts [kW]. Definition.
    """
    before = g.carry.runs.run
    reasons: dict[int, tuple[reason.RunWhy, reason.Confidence]] = {}
    ends = {d.run_start: d.end for d in starts.demands if d.run_start is not None}
    for one in started:
        start = one.run.start
        then = _mains_then(mains, start)
        reasons[start] = reason.why(one.run, ends.get(start), one.hand, then, g.gaps.standing_s)
    if before is not None:
        reasons[before.start] = _of_the_day_before(g, before, ends.get(before.start), mains)
    load = g.of("load_kw")
    done = []
    for run in found.runs:
        why, sure = reasons.get(run.start, ("unknown", "low"))
        got = _energy(g, load, run.start, run.end or run.last_on_at, before)
        done.append(
            msgspec.structs.replace(
                run,
                why=why,
                confidence=sure,
                energy_kwh=None if got.watt_s is None else round(got.watt_s / 3_600_000, 3),
                peak_load_kw=got.peak_kw,
            )
        )
    going = found.carry.run
    if going is None:
        return Whole(tuple(done), found.carry)
    why, sure = reasons.get(going.start, ("unknown", "low"))
    got = _energy(g, load, going.start, going.off_at or going.last_on_at, before)
    going = msgspec.structs.replace(
        going,
        why=why,
        confidence=sure,
        energy_ws=got.watt_s,
        peak_load_kw=got.peak_kw,
        load_at=got.load_at,
        load_kw=got.load_kw,
    )
    return Whole(tuple(done), msgspec.structs.replace(found.carry, run=going))


def _energy(
    g: DayInputs, load: Series, start: int, end: int, before: runs.OpenRun | None
) -> energy.Energy:
    so_far = energy.Energy()
    if before is not None and before.start == start:
        so_far = energy.Energy(
            before.energy_ws, before.peak_load_kw, before.load_at, before.load_kw
        )
    return energy.add(load, start, end, g.gaps.running_s, so_far, held=g.gaps.holds)


def _of_the_day_before(
    g: DayInputs, before: runs.OpenRun, end: DemandEnd | None, mains: Spells
) -> tuple[reason.RunWhy, reason.Confidence]:
    """The reason of a run that began on a day before: what that day said, unless today tells more.

    Its demand may end today, and a loss of mains that came first may be seen only after midnight.
    """
    if end == "by_hand":
        return "by_hand", before.confidence
    loss = _loss_around(mains, before.start)
    if before.why != "unknown" or loss is None or loss.since < g.start:
        return before.why, before.confidence
    run = runs.ended(before, None, "open")
    return reason.why(run, end, False, _told(loss), g.gaps.standing_s)


def _mains_then(mains: Spells, start: int) -> reason.MainsThen | None:
    """The mains at a start; where it was last read present, the loss whose interval holds the
    start."""
    loss = _loss_around(mains, start)
    spell = loss if loss is not None else mains.at(start)
    return None if spell is None else _told(spell)


def _loss_around(mains: Spells, start: int) -> Spell | None:
    """The loss of mains first seen after a start and not known to lie after it."""
    for spell in mains.spells:
        if spell.since > start:
            holds = spell.value == 0 and spell.earliest is not None and spell.earliest < start
            return spell if holds else None
    return None


def _told(spell: Spell) -> reason.MainsThen:
    return reason.MainsThen(
        absent=spell.value == 0,
        since=spell.since,
        at=spell.at,
        earliest=spell.earliest,
        by_event=spell.by_event,
    )
