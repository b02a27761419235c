"""A look at a set's fuel."""

from __future__ import annotations

import msgspec
import numpy as np
from one_unit import HABIT, UNIT, inputs

from fleet.model import Latest, Pulse, Record, Run, Series, Unit
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import Assessment, assess, day_facts
from scheduler.day import Day, digest

DIESEL = msgspec.structs.replace(UNIT, fuel="diesel", rated_kw=200.0, tank_l=1000.0)


def look(
    readings: list[tuple[int, float]],
    unit: Unit = DIESEL,
    records: tuple[Record, ...] = (),
    runs: tuple[Run, ...] = (),
    now: int | None = None,
) -> Assessment:
    """The verdict on a unit whose tank read this; runs: as if its days had said so."""
    at = [t for t, _ in readings]
    known: UnitInputs = inputs(at[-1], 230.0, unit)
    pulse = Pulse(
        device="D",
        heard_at=at[-1],
        newest_at=at[-1],
        latest={"fuel_pct": Latest(at[-1], readings[-1][1])},
    )
    known = msgspec.structs.replace(known, pulses=(pulse,), records=records)
    facts = day_facts(known, HABIT)
    days: list[Day] = []
    for day in range(at[0] // 86_400, at[-1] // 86_400 + 1):
        inside = [(t, v) for t, v in readings if t // 86_400 == day]
        series = Series(
            np.array([t for t, _ in inside], np.int64), np.array([v for _, v in inside])
        )
        made = digest(facts, day, {"fuel_pct": series}, (), days[-1].carry if days else None)
        mine = tuple(run for run in runs if run.start // 86_400 == day)
        days.append(msgspec.structs.replace(made, runs=mine))
    return assess(known, days, now or at[-1] + 30)
