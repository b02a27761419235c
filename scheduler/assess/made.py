"""Whether a run gave volts, on every circuit that its set has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from fleet.calendar import DAY_S
from fleet.channels import AC_VOLTS
from fleet.model import Run
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.condition import ON_LOAD_KW
from scheduler.assess.findings import ANSWERS
from scheduler.day import Day, plate_of
from scheduler.readiness import Made
from scheduler.rules import supply
from scheduler.rules.supply import Circuit, RunPoint

SET_SIDE = AC_VOLTS - {"mains_v"}
SEEN_READINGS = 3
"""A run of fewer readings says nothing about its volts. Common practice, no source."""
USUAL_RUNS = 5
TOLD_RUNS = 2
"""So many runs tell which circuits its device measures. Common practice, no source."""


def made(
    inputs: UnitInputs, days: Sequence[Day], run: Run, points: Sequence[RunPoint]
) -> tuple[Made, float | None]:
    """Whether a run gave volts, and how many (V between the conductors that nominal_v names).

    On a set with several circuits each that was measured counts: none vouches for another. By its
    settled samples, by a running signal that is itself output volts, by a load it carried,
    else by the highest volts of its days. Volts of a bus that other sets feed prove nothing, unless
    it carried load of its own.

    Gives: a word and volts [V]. Source: a circuit's lower edge by the ITI (CBEMA) curve, as
    scheduler/rules/supply/circuits.py; the rest common practice, no source.
    """
    found, volts = _made(inputs, days, run, points)
    loaded = run.peak_load_kw is not None and run.peak_load_kw > ON_LOAD_KW
    if found == "yes" and not loaded and _by_bus(inputs, _days_of(days, run)):
        return "not_seen", volts
    return found, volts


def _by_bus(inputs: UnitInputs, mine: Sequence[Day]) -> bool:
    """Whether everything that is read of its output may be another set's, on a bus they share."""
    plate = plate_of(inputs.unit)
    return plate.bus and all(supply.on_bus(plate, name) for name in _highest(inputs, mine))


def _made(
    inputs: UnitInputs, days: Sequence[Day], run: Run, points: Sequence[RunPoint]
) -> tuple[Made, float | None]:
    point = next((p for p in points if p.start == run.start), None)
    volts = None if point is None else point.volts
    said = None if volts is None else round(volts, 1)
    several = () if point is None else point.circuits
    mine = _days_of(days, run)
    if supply.uneven(several):
        return "in_part", said
    missing = usual_circuits(inputs, points, run.start) - {c.channel for c in several}
    if point is None:
        missing -= _seen_alone(inputs, days, mine, run)
    if not several and (unsettled := _unsettled(inputs, days, mine)) is not None:
        return unsettled, None
    if missing or (several and _unlike(days, several)):
        return "not_seen", said
    nominal = inputs.unit.nominal_v
    if volts is not None and not several and volts >= supply.HIGH_SHARE * nominal:
        return "wild", said
    if volts is not None:
        return ("yes" if volts >= supply.DEAD_SHARE * nominal else "no"), said
    signal = inputs.unit.running
    if signal.first.channel in SET_SIDE and (signal.second is None or signal.join == "both"):
        return "yes", None
    if run.peak_load_kw is not None and run.peak_load_kw > ON_LOAD_KW:
        return "yes", None
    highest = _highest(inputs, mine)
    tops = [*_shares(inputs, days, highest), *(v / nominal for v in highest.values())]
    if not tops:
        return "not_seen", None
    if max(tops) >= supply.DEAD_SHARE:
        return "yes", None
    return ("no" if run.readings >= SEEN_READINGS else "not_seen"), None


def _days_of(days: Sequence[Day], run: Run) -> list[Day]:
    end = run.last_on_at if run.end is None else run.end
    return [day for day in days if run.start // DAY_S <= day.day <= end // DAY_S]


def usual_circuits(inputs: UnitInputs, points: Sequence[RunPoint], before: int) -> frozenset[str]:
    """Circuits that a run of this set should have shown: one that is heard of no more vouches for
    nothing. Those that most of its newest runs measured, and those that two did since somebody was
    at the set or its device was fitted.

    before: the start of the run in question [UTC s].

    Gives: words, the names of channels. Common practice, no source.
    """
    points = [p for p in reversed(points) if p.start < before and (p.circuits or p.volts_n)]
    runs = [{c.channel for c in point.circuits} for point in points[:USUAL_RUNS]]
    usual = {n for n in set().union(*runs) if 2 * sum(n in one for one in runs) > len(runs)}
    answered = [r.at for r in inputs.records if r.kind in ANSWERS and r.at <= before]
    answered += [
        f.from_at for f in inputs.fittings if f.from_at is not None and f.from_at <= before
    ]
    since = max(answered, default=0)
    told = Counter(c.channel for point in points if point.start >= since for c in point.circuits)
    return frozenset(usual | {name for name, n in told.items() if n >= TOLD_RUNS})


def _unlike(days: Sequence[Day], several: Sequence[Circuit]) -> bool:
    """Whether a set that has never stood in any way it may be connected stood in none here: what its
    circuits should be at is then a guess."""
    if days and days[-1].carry.supply.system:
        return False
    return all(abs(c.volts / c.nominal - 1) > supply.NEAR for c in several)


def _seen_alone(
    inputs: UnitInputs, days: Sequence[Day], mine: Sequence[Day], run: Run
) -> frozenset[str]:
    """Circuits that were read on the days of a run, where no other run lies on them: the highest
    volts of those days are then its own."""
    first, last = mine[0].day if mine else 0, mine[-1].day if mine else 0
    others = any(
        one.start != run.start
        and first <= (one.end or one.last_on_at) // DAY_S
        and one.start // DAY_S <= last
        for day in days
        if day.day >= first
        for one in day.runs
    )
    return frozenset() if others else frozenset(_highest(inputs, mine))


def _highest(inputs: UnitInputs, mine: Sequence[Day]) -> dict[str, float]:
    """The highest volts of each set-side circuit of some days [V]."""
    highest: dict[str, float] = {}
    for day in mine:
        for name, spot in day.spots.items():
            if name in SET_SIDE:
                highest[name] = max(spot.max, highest.get(name, 0.0))
    return supply.by_circuit(plate_of(inputs.unit), highest)


def _shares(inputs: UnitInputs, days: Sequence[Day], volts: dict[str, float]) -> list[float]:
    """Volts of the circuits of a set with several, as shares of their own nominals; else none."""
    system = days[-1].carry.supply.system if days else ""
    own = supply.nominals(plate_of(inputs.unit), volts, system)
    return [volts[name] / nominal for name, nominal in own.items()]


def _unsettled(inputs: UnitInputs, days: Sequence[Day], mine: Sequence[Day]) -> Made | None:
    """What the days of a run say of its circuits where none has a settled sample; None: nothing
    speaks against them. A circuit that was dead all day gave nothing; one that stood too high may
    have been starting."""
    tops = _shares(inputs, days, _highest(inputs, mine))
    if len(tops) < 2 or max(tops) < supply.DEAD_SHARE:
        return None
    if min(tops) < supply.DEAD_SHARE:
        return "in_part"
    known = bool(days[-1].carry.supply.system)
    unlike = not known and all(abs(top - 1) > supply.NEAR for top in tops)
    return "not_seen" if unlike or max(tops) >= supply.HIGH_SHARE else None
