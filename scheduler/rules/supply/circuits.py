"""Every measured circuit of a set against its own nominal: no circuit vouches for another.

A split-phase set has two legs and what lies across them, a three-phase set three lines to neutral
and three line to line. A set carries its load only when each of them is there: one dead line stops
motors and burns them, one that stands too high destroys what is plugged in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fleet.model import Series, no_series
from scheduler.rules.supply import legs, settled
from scheduler.rules.supply.nominal import OF_SYSTEM, TO_NEUTRAL, nominals
from scheduler.rules.supply.terms import Circuit, Plate

EVERY = OF_SYSTEM["3"]
"""Every circuit a set may have, in the order of all systems."""
LOW_SHARE = 0.8
"""Under this share of its nominal a circuit carries nothing: equipment is not made to run on less
for longer than 10 s (ITI (CBEMA) curve, Information Technology Industry Council, 2000)."""
DEAD_SHARE = 0.5
"""Under half of its nominal a circuit is dead. Common practice, no source."""
HIGH_SHARE = 1.15
"""Over-voltage: from 115 % of nominal on. Common practice, no source."""
APART = 0.2
"""Circuits this far from each other, in shares of their nominals, are not alike. Common practice, no
source."""
NEWEST = 3
"""So many of a run's newest samples say how a circuit stood at its end."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Together:
    """Every circuit's value in force at each settled moment of a run at which any was read.

    run, t: number of the run and UTC second, of length n. volts: a row a circuit, n long, NaN where
    none is in force [V]. own: each circuit's nominal [V].
    """

    names: tuple[str, ...]
    run: Ints
    t: Ints
    volts: Floats
    own: Floats

    @property
    def share(self) -> Floats:
        return self.volts / self.own[:, None]

    @property
    def highest(self) -> Floats:
        """The highest circuit at each moment, as a share of its own nominal."""
        found: Floats = np.fmax.reduce(self.share)
        return found


def together(
    plate: Plate,
    series: Mapping[str, Series],
    runs: Sequence[tuple[int, int]],
    settle: Sequence[int],
    fresh_s: int,
) -> Together | None:
    """The circuits of a set with several, in its runs; None where fewer than two were measured.

    runs: [start, end), rising; settle: seconds of each that are not judged; fresh_s: how long a
    value stays in force.
    """
    names = tuple(name for name in EVERY if len(series.get(name) or ()))
    if len(names) < 2:
        return None
    t = np.unique(np.concatenate([series[name].t for name in names]))
    run = settled.in_runs(t, runs, settle)
    keep = run >= 0
    run, t = run[keep], t[keep]
    volts = np.stack([settled.at_or_before(series[name], t, fresh_s) for name in names])
    middle = {
        name: float(np.nanmedian(row))
        for name, row in zip(names, volts, strict=True)
        if np.isfinite(row).any()
    }
    own = nominals(plate, middle)
    if len(own) < 2:
        return None
    kept = [k for k, name in enumerate(names) if name in own]
    return Together(tuple(own), run, t, volts[kept], np.array(list(own.values())))


def governed(plate: Plate, found: Together, hertz: Series, load: Series, fresh_s: int) -> Together:
    """The same without the moments at which a set that idles down was not at governed speed."""
    if not plate.idle_down:
        return found
    at = settled.governed(
        plate,
        found.highest * plate.nominal_v,
        settled.at_or_before(hertz, found.t, fresh_s),
        settled.at_or_before(load, found.t, fresh_s),
    )
    return replace(found, run=found.run[at], t=found.t[at], volts=found.volts[:, at])


def lowest(found: Together) -> Series:
    """The lowest circuit while another gives volts, at each moment [share of its nominal]."""
    share = found.share
    live = np.fmax.reduce(share) >= LOW_SHARE
    return Series(found.t[live], np.fmin.reduce(share)[live])


def of_run(found: Together, number: int) -> tuple[Circuit, ...]:
    """How each circuit stood in one run: its median, and the median of its newest samples."""
    made = []
    for name, own, row in zip(found.names, found.own.tolist(), found.volts, strict=True):
        volts = row[found.run == number]
        volts = volts[np.isfinite(volts)]
        if len(volts):
            middle, last = float(np.median(volts)), float(np.median(volts[-NEWEST:]))
            made.append(
                Circuit(
                    channel=name, volts=round(middle, 1), last=round(last, 1), nominal=round(own, 1)
                )
            )
    return tuple(made) if len(made) > 1 else ()


def open_neutral(plate: Plate, found: Together) -> Series:
    """How far the circuits to neutral have moved apart, above 1 where the neutral is open.

    With the neutral open the loads share the line voltage between them, the light one gets most.
    A dead line of a three-phase set is no sign of it: its own winding may have failed.
    """
    rows = [k for k, name in enumerate(found.names) if name in TO_NEUTRAL]
    if len(rows) < 2:
        return no_series()
    share = found.share[rows]
    if plate.phases == "3":
        share = np.where(share < settled.DEAD_SHARE, np.nan, share)
    apart = legs.apart(np.fmax.reduce(share), np.fmin.reduce(share))
    told = np.isfinite(apart)
    return Series(found.t[told], apart[told])


def good(circuit: Circuit) -> bool:
    """Whether a circuit gave volts its load can live with, through its run and at its end."""
    return all(
        LOW_SHARE <= volts / circuit.nominal < HIGH_SHARE for volts in (circuit.volts, circuit.last)
    )


def uneven(circuits: Sequence[Circuit]) -> bool:
    """Whether some circuit of a set was not good while its circuits were not all alike.

    Volts that are too low or too high on all of them alike are the band's to judge.
    """
    at_end = [c.last / c.nominal for c in circuits]
    some = any(not good(c) for c in circuits)
    return some and (any(good(c) for c in circuits) or max(at_end) - min(at_end) > APART)


def worst(circuits: Iterable[Circuit]) -> Circuit | None:
    """The circuit farthest from its nominal in ratio, as it stood at the end of its run."""
    return max(circuits, key=lambda c: abs(np.log(max(c.last, 0.1) / c.nominal)), default=None)
