"""Every measured circuit of a set against its own nominal: no circuit vouches for another.

A split-phase set has two legs and what lies across them, a three-phase set three lines to neutral
and three line to line. A set carries its load only when each of them is there: one dead line stops
motors and burns them, one that stands too high destroys what is plugged in.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fleet.model import Series, no_series
from scheduler.rules.supply import iti, legs, settled
from scheduler.rules.supply.nominal import EVERY, TO_NEUTRAL, system_of
from scheduler.rules.supply.supply_record import Circuit, Plate

LOW_SHARE = iti.least(10.0)
"""Under this share of its nominal a circuit carries nothing: equipment is not made to run on less
for longer than 10 s. Source: ITI (CBEMA) curve, Information Technology Industry Council, 2000."""
STANDING_SHARE = iti.most(math.inf)
"""More than this share of nominal equipment does not stand for good. Source: ITI (CBEMA) curve,
2000."""
DEAD_SHARE = 0.5
"""Under half of its nominal a circuit is dead. Common practice, no source."""
HIGH_SHARE = 1.15
"""Over-voltage at once: from 115 % of nominal on by two readings, which lie further apart than the
half second the curve allows 120 %; 5 points over what it allows for good are left to the
instrument. Common practice, no source."""
APART = 0.2
"""Circuits this far from each other, in shares of their nominals, are not alike. Common practice, no
source."""
NEWEST, NEWEST_S = 3, 60
"""A circuit's newest three readings in a run, and all of its newest minute, say how it stood at the
end: a motor that started then is no dead phase. Common practice, no source."""
AT_TIMES_SHARE = 0.1
"""Dead or wild at times: in a tenth of a run's moments. A motor that starts pulls volts down for
seconds, and to half only where it stalls. Common practice, no source."""
STOPPING_S = 180
"""So long before the end of a run a circuit that a device sends on change may be stopping already.
Common practice, no source."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CircuitVolts:
    """Every circuit's value in force at each settled moment of a run at which any was read.

    run, t: number of the run and UTC second, of length n. volts: a row a circuit, n long, NaN where
    none is to be judged [V]. force: whether one is in force; read: whether it was read at that moment.
    own: each circuit's nominal [V].
    starts: of the runs [UTC s]. system: how the set is connected; "" where these do not tell.
    """

    names: tuple[str, ...]
    run: Ints
    t: Ints
    volts: Floats
    force: Mask
    read: Mask
    own: Floats
    starts: tuple[int, ...]
    system: str

    @property
    def share(self) -> Floats:
        return self.volts / self.own[:, None]

    @property
    def highest(self) -> Floats:
        """The highest circuit at each moment, as a share of its own nominal."""
        found: Floats = np.fmax.reduce(self.share)
        return found

    def where(self, kept: Mask) -> CircuitVolts:
        """The same at some of its moments only."""
        return replace(
            self,
            run=self.run[kept],
            t=self.t[kept],
            volts=self.volts[:, kept],
            force=self.force[:, kept],
            read=self.read[:, kept],
        )


def circuit_volts(
    plate: Plate,
    series: Mapping[str, Series],
    runs: Sequence[tuple[int, int]],
    settle: Sequence[int],
    fresh_s: int,
    before: str = "",
    real: Mapping[str, Series] | None = None,
) -> CircuitVolts | None:
    """The circuits of a set with several, in its runs; None where fewer than two were measured.

    runs: [start, end), rising; settle: seconds of each that are not judged; fresh_s: how long a
    value stays in force; before: how the set was known to be connected. real: the readings
    themselves, where `series` holds the values a device sends on change.

    Gives: a record in volts [V] and shares of nominal [1], or none. Definition.
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
    system = system_of(plate, middle, before)
    if len(system.own) < 2:
        return None
    kept = [k for k, name in enumerate(names) if name in system.own]
    own = np.array(list(system.own.values()))
    volts = volts[kept]
    until = _vouched(real or series, system.own, runs, filled_forward=real is not None)
    unsure = (volts < LOW_SHARE * own[:, None]) & (t > until[run])
    return CircuitVolts(
        names=tuple(system.own),
        run=run,
        t=t,
        volts=np.where(unsure, np.nan, volts),
        force=np.isfinite(volts),
        read=np.stack([np.isin(t, series[name].t) for name in system.own]),
        own=own,
        starts=tuple(start for start, _ in runs),
        system=system.name if system.fits else "",
    )


def _vouched(
    real: Mapping[str, Series],
    own: Mapping[str, float],
    runs: Sequence[tuple[int, int]],
    *,
    filled_forward: bool,
) -> Ints:
    """Until when, in each run, circuits were seen alive: one that is dead later may be stopping.

    The circuits of a set may be read seconds apart, and the engine may stop in between.
    """
    until = np.full(len(runs), -1, np.int64)
    for name, nominal in own.items():
        one = real.get(name) or no_series()
        t = one.t[one.v >= LOW_SHARE * nominal]
        for number, (start, end) in enumerate(runs):
            place = int(np.searchsorted(t, end, side="left"))
            if place and t[place - 1] >= start:
                until[number] = max(until[number], t[place - 1])
    ends = np.array([end for _, end in runs], np.int64)
    least = ends - STOPPING_S if filled_forward else until
    return np.where(until < 0, ends, np.maximum(until, least))


def governed(
    plate: Plate, found: CircuitVolts, hertz: Series, load: Series, fresh_s: int
) -> CircuitVolts:
    """The same without the moments at which a set that idles down was not at governed speed.

    Gives: the record at fewer moments; fresh_s: how long a value stays in force [s]. Common
    practice, no source.
    """
    if not plate.idle_down:
        return found
    return found.where(
        settled.governed(
            plate,
            found.highest * plate.nominal_v,
            settled.at_or_before(hertz, found.t, fresh_s),
            settled.at_or_before(load, found.t, fresh_s),
        )
    )


def standing_share(plate: Plate) -> float:
    """The share of nominal that may stand for good: as the curve has it, or as the installer allows.

    Gives: [1]. Source: ITI (CBEMA) curve, 2000.
    """
    return max(STANDING_SHARE, 1 + (plate.volts_pct or 0.0) / 100)


def of_run(found: CircuitVolts, start: int) -> tuple[Circuit, ...]:
    """How each circuit stood in one run: its median, the median of its newest samples, and whether
    it was dead or wild at times. Left out is one that was heard of no more at the end.

    Gives: records in volts [V]. Common practice, no source.
    """
    one = found.where(found.run == found.starts.index(start))
    share, live = one.share, one.highest >= LOW_SHARE
    made = []
    for k, (name, own) in enumerate(zip(one.names, one.own.tolist(), strict=True)):
        there = np.isfinite(one.volts[k])
        volts, read = one.volts[k][there], one.read[k][there]
        if not len(volts) or not one.force[k, -1]:
            continue
        t, own_v = one.t[there][read], volts[read]
        newest = max(NEWEST, int(np.count_nonzero(t > t[-1] - NEWEST_S))) if len(t) else 0
        out = ((share[k] < DEAD_SHARE) & live | (share[k] >= HIGH_SHARE))[there]
        made.append(
            Circuit(
                channel=name,
                volts=round(float(np.median(volts)), 1),
                last=round(float(np.median(own_v[-newest:] if newest else volts)), 1),
                nominal=round(own, 1),
                at_times=bool(out.mean() >= AT_TIMES_SHARE or out[-1]),
            )
        )
    return tuple(made) if len(made) > 1 else ()


def open_neutral(plate: Plate, found: CircuitVolts) -> Series:
    """How far the circuits to neutral have moved apart, above 1 where the neutral is open.

    With the neutral open the loads share the line voltage between them, the light one gets most.
    A dead line of a three-phase set is no sign of it: its own winding may have failed.

    Gives: readings without a unit [1]. Common practice, no source.
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
    """Whether a circuit gave volts its load can live with, through its run and at its end.

    Its median and its newest between 80 and 115 % of its nominal, and never dead or wild at times.

    Gives: yes or no. Source: the lower edge by the ITI (CBEMA) curve, 2000; the upper common
    practice, no source.
    """
    return not circuit.at_times and all(
        LOW_SHARE <= volts / circuit.nominal < HIGH_SHARE for volts in (circuit.volts, circuit.last)
    )


def uneven(circuits: Sequence[Circuit]) -> bool:
    """Whether some circuit of a set was wild, or not good while its circuits were not all alike.

    Volts that are too low on all of them alike are the band's to judge.

    Gives: yes or no. Common practice, no source.
    """
    at_end = [c.last / c.nominal for c in circuits]
    bad = [c for c in circuits if not good(c)]
    alike = len(bad) == len(circuits) and max(at_end, default=0) - min(at_end, default=0) <= APART
    return bool(bad) and (not alike or max(at_end) >= HIGH_SHARE or any(c.at_times for c in bad))
