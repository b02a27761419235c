"""Which samples count: settled after the start, at governed speed, on a live circuit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from fleet.model import Series, no_series
from scheduler.rules.supply.nominal import BOTH_LEGS_V, LINES, TO_NEUTRAL, system_of, variants_of
from scheduler.rules.supply.supply_record import Plate

SETTLE_S = 30
SETTLE_SMALL_S = 120
SETTLE_COLD_S = 180
COLD_C = 5.0
"""Settling after a start (docs/engineering/supply.md#settled-samples). Common practice, no
source."""
DEAD_SHARE = 0.2
"""Under this share of nominal a circuit is dead: neither its volts nor its hertz are judged.
Common practice, no source; a network's bus fell to under 2 % within 4 s when it went black."""
GOVERNED_SHARE = 0.9
"""A set that idles down by design is at governed speed from this share of nominal hertz on, and
where its hertz are not read, of nominal volts. Common practice, no source."""
LOAD_SHARE = 0.03
LOAD_KW = 0.2
"""No load: up to 3 % of the rated power or 0.2 kW. Common practice, no source."""
Mask = NDArray[np.bool_]


def settle_s(plate: Plate, temp_c: float | None) -> int:
    """Seconds after a start that are not judged; temp_c: the engine's then, None: not read.

    30 s; engines of one or two cylinders 120 s, under 5 C 180 s.

    Gives: [s]. Common practice, no source.
    """
    if not plate.small:
        return SETTLE_S
    return SETTLE_COLD_S if temp_c is not None and temp_c < COLD_C else SETTLE_SMALL_S


def volts_of(plate: Plate, series: dict[str, Series], system: str = "") -> tuple[str, Series]:
    """(channel, volts as `nominal_v` names them); ("", nothing) where no volts are read.

    `ac_v` first; else both legs of a split-phase set added up; line to line; line to neutral: each
    as far from the set's nominal as it is from its own. system: how it was known to be connected.

    Gives: a word and readings in volts [V]. Definition.
    """
    if len(series.get("ac_v") or ()):
        return "ac_v", series["ac_v"]
    one = series.get("ac_l1_v") or no_series()
    if plate.phases == "split" and len(one) and plate.nominal_v >= BOTH_LEGS_V:
        two = series.get("ac_l2_v") or no_series()
        t, a, b = np.intersect1d(one.t, two.t, assume_unique=True, return_indices=True)
        return ("ac_l1_v", Series(t, one.v[a] + two.v[b])) if len(t) else ("", no_series())
    lines = {"3": LINES, "split": LINES[:1]}.get(plate.phases, ())
    there = [name for name in (*lines, *TO_NEUTRAL) if len(series.get(name) or ())]
    if not there or (plate.phases == "1" and there[0] != "ac_l1_v"):
        return "", no_series()
    return _as_nominal(plate, series, there, system)


def _as_nominal(
    plate: Plate, series: Mapping[str, Series], there: Sequence[str], system: str
) -> tuple[str, Series]:
    """The first of some circuits that the set has, its volts as the set's nominal names them."""
    own = variants_of(plate).get(system) or system_of(plate, _alive(plate, series)).own
    channel = next((name for name in there if name in own), there[0])
    return channel, Series(
        series[channel].t, series[channel].v * (plate.nominal_v / own.get(channel, plate.nominal_v))
    )


def _alive(plate: Plate, series: Mapping[str, Series]) -> dict[str, float]:
    """What each circuit is at while it gives volts [V]; 0 for one that never does."""
    found = {}
    for name, one in series.items():
        if name.startswith("ac_") and len(one):
            alive = one.v >= DEAD_SHARE * plate.nominal_v
            found[name] = float(np.median(one.v[alive])) if alive.any() else 0.0
    return found


def at_or_before(series: Series, t: NDArray[np.int64], fresh_s: int) -> NDArray[np.float64]:
    """The value in force at each time, NaN where there is none or it is older than fresh_s.

    Gives: values in the channel's unit, as the readings. Definition.
    """
    if len(series) == 0:
        return np.full(len(t), np.nan)
    place = np.searchsorted(series.t, t, side="right") - 1
    safe = np.maximum(place, 0)
    good = (place >= 0) & (t - series.t[safe] <= fresh_s)
    return np.where(good, series.v[safe], np.nan)


def in_runs(
    t: NDArray[np.int64], runs: Sequence[tuple[int, int]], settle: Sequence[int]
) -> NDArray[np.int64]:
    """Index of the run each time is a settled moment of; -1 for none. runs: [start, end) rising;
    settle: seconds of each that are not judged [s].

    Gives: an index [1]. Definition.
    """
    if not runs:
        return np.full(len(t), -1, np.int64)
    start = np.array([a for a, _ in runs], np.int64)
    end = np.array([b for _, b in runs], np.int64)
    place = np.searchsorted(start, t, side="right") - 1
    safe = np.maximum(place, 0)
    good = (place >= 0) & (t < end[safe]) & (t - start[safe] >= np.array(settle, np.int64)[safe])
    return np.where(good, place, -1).astype(np.int64)


def governed(
    plate: Plate,
    volts: NDArray[np.float64],
    hertz: NDArray[np.float64],
    load_kw: NDArray[np.float64],
) -> Mask:
    """At governed speed: always, but for a set that idles down: by hertz, load, else by volts.

    hertz, or where not read volts, from 90 % of nominal on, or more load_kw than no load. Arrays of
    one length, NaN where not read.

    Gives: yes or no for each. Common practice, no source.
    """
    if not plate.idle_down:
        return np.ones(len(volts), np.bool_)
    by_hertz = hertz >= GOVERNED_SHARE * plate.nominal_hz
    by_volts = np.isnan(hertz) & (volts >= GOVERNED_SHARE * plate.nominal_v)
    loaded = load_kw > no_load_kw(plate)
    return by_hertz | by_volts | loaded


def no_load_kw(plate: Plate) -> float:
    """Up to this load [kW] a set runs without load: the greater of 0.2 kW and 3 % of its rating.

    Gives: [kW]. Common practice, no source.
    """
    return max(LOAD_KW, LOAD_SHARE * (plate.rated_kw or 0.0))
