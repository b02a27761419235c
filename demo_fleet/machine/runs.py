"""The life of one set: every start demand and run from the first day on, made once from the seed.

A few hundred rows a year. Everything a device reports at a moment is worked out from them, so any
day can be had without the days before it. Later days added at the end change nothing before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_fleet.machine.noise import Floats, Ints, one
from demo_fleet.machine.plate import Nameplate, Script

REFUEL_AT = 45.0
REFUEL_TO = 93.0
REFUEL_RUNNING_AT = 25.0
LITRES_PER_KWH = 0.30
"""Fuel a kWh, and a fifth of full consumption at no load; common practice, no source."""
MAINS_DELAY_S = 6
MAINS_DELAY_SPREAD_S = 9
AWAY_FROM_OUTAGE_S = 20 * 60


@dataclass(frozen=True)
class Wish:
    """Somebody or something wants the set to run: why is exercise, outage, hand or called."""

    at: int
    until: int
    why: str
    load: float
    load_until: int


@dataclass(frozen=True)
class Demand:
    """A start demand: attempts at their moments [s], seconds cranked in each, run or failure."""

    at: int
    why: str
    cranks: tuple[tuple[int, float], ...]
    start: int | None
    end: int | None
    load: float
    load_until: int


@dataclass(frozen=True)
class Life:
    """Demands in time order, and the arrays made from them.

    start, end [s UTC], load [share of rated], load_until [s UTC]: one entry a run.
    run_s: seconds run before each run. crank_at: every counted attempt. fuel_t, fuel_pct: knots of
    the tank level. lost, back: mains outages. manual: spans out of automatic.
    """

    demands: tuple[Demand, ...]
    start: Ints
    end: Ints
    load: Floats
    load_until: Ints
    run_s: Ints
    crank_at: Ints
    fuel_t: Ints
    fuel_pct: Floats
    lost: Ints
    back: Ints
    manual: Ints

    def hours(self, t: int) -> float:
        """Engine hours run since the first day, at moment t [h]."""
        i = int(np.searchsorted(self.start, t, "right")) - 1
        if i < 0:
            return 0.0
        return float(self.run_s[i] + min(t, int(self.end[i])) - self.start[i]) / 3600.0


def build_life(
    plate: Nameplate,
    first: int,
    outages: list[tuple[int, int]],
    exercises: list[tuple[int, int, float]],
    script: Script,
) -> Life:
    """The life of a set from UTC second `first` on.

    outages: (lost, back) of its site. exercises: (start, minutes, load share).
    """
    wishes = _settled(_wishes(plate, outages, exercises, script))
    demands = _answered(plate, wishes, script)
    runs = [d for d in demands if d.start is not None and d.end is not None]
    start = np.array([d.start for d in runs], np.int64)
    end = np.array([d.end for d in runs], np.int64)
    fuel_t, fuel_pct = _fuel(plate, first, runs)
    return Life(
        demands=tuple(demands),
        start=start,
        end=end,
        load=np.array([d.load for d in runs], np.float64),
        load_until=np.array([d.load_until for d in runs], np.int64),
        run_s=np.concatenate(([0], np.cumsum(end - start)[:-1])).astype(np.int64)
        if runs
        else np.empty(0, np.int64),
        crank_at=np.array([c[0] for d in demands if d.why != "hand" for c in d.cranks], np.int64),
        fuel_t=fuel_t,
        fuel_pct=fuel_pct,
        lost=np.array([o[0] for o in outages], np.int64),
        back=np.array([o[1] for o in outages], np.int64),
        manual=np.array(sorted(script.manual), np.int64).reshape(-1, 2),
    )


def _wishes(
    plate: Nameplate,
    outages: list[tuple[int, int]],
    exercises: list[tuple[int, int, float]],
    script: Script,
) -> list[Wish]:
    delay = MAINS_DELAY_S + int(MAINS_DELAY_SPREAD_S * one(plate.seed, 20))
    wishes = []
    for lost, back in outages:
        away = back + 120 + int(180 * one(plate.seed, 21))
        cooled = away + 120 + int(120 * one(plate.seed, 22))
        share = 0.2 + 0.4 * one(plate.seed, 23, lost)
        wishes.append(Wish(lost + delay, cooled, "outage", share, away))
    for agreed, minutes, load in exercises:
        if _inside(agreed, script.exercise_off):
            continue
        at = agreed + (script.exercise_late[1] if agreed >= script.exercise_late[0] else 0)
        share = script.exercise_cut[1] if agreed >= script.exercise_cut[0] else 1.0
        until = at + round(60 * minutes * share)
        wishes.append(Wish(at, until, "exercise", load, until - 120))
    wishes += [Wish(at, until, "hand", 0.0, at) for at, until in script.hand]
    wishes += [Wish(at, until, "called", 0.5, until - 180) for at, until in script.called]
    return wishes


def _settled(wishes: list[Wish]) -> list[Wish]:
    """In time order without overlap: an outage goes before all, what is called for gives way."""
    rank = {"outage": 0, "hand": 1, "exercise": 2, "called": 3}
    kept: list[Wish] = []
    for wish in sorted(wishes, key=lambda w: (rank[w.why], w.at)):
        near = AWAY_FROM_OUTAGE_S
        if all(wish.at > k.until + near or k.at > wish.until + near for k in kept):
            kept.append(wish)
    return sorted(kept, key=lambda w: w.at)


def _inside(t: int, spans: tuple[tuple[int, int], ...]) -> bool:
    return any(a <= t < b for a, b in spans)


def _answered(plate: Nameplate, wishes: list[Wish], script: Script) -> list[Demand]:
    """What becomes of each wish. A failed start locks the set out until somebody comes."""
    demands: list[Demand] = []
    locked = False
    for wish in wishes:
        if wish.why == "hand":
            locked = False
            demands.append(_by_hand(plate, wish))
        elif not locked and not _inside(wish.at, script.manual):
            fails = _inside(wish.at, script.fail)
            demands.append(_automatic(plate, wish, fails))
            locked = fails and not script.resets_itself
    return demands


def _by_hand(plate: Nameplate, wish: Wish) -> Demand:
    crank_s = _good_crank_s(plate, wish.at)
    start = wish.at + round(crank_s) + 1
    return Demand(wish.at, "hand", ((wish.at, crank_s),), start, wish.until, 0.0, start)


def _automatic(plate: Nameplate, wish: Wish, fails: bool) -> Demand:
    again = one(plate.seed, 25, wish.at) < (0.03 if plate.diesel else 0.06)
    attempts = plate.attempts_at_most if fails else 2 if again else 1
    step = round(plate.longest_crank_s) + plate.rest_s
    cranks = [(wish.at + i * step, plate.longest_crank_s) for i in range(attempts)]
    if fails:
        return Demand(wish.at, wish.why, tuple(cranks), None, None, 0.0, wish.at)
    crank_s = _good_crank_s(plate, wish.at)
    cranks[-1] = (cranks[-1][0], crank_s)
    start = cranks[-1][0] + round(crank_s) + 1
    end = max(wish.until, start + 60)
    load_until = wish.load_until if wish.load > 0 else start
    return Demand(wish.at, wish.why, tuple(cranks), start, end, wish.load, load_until)


def _good_crank_s(plate: Nameplate, at: int) -> float:
    return round(1.1 + 1.6 * one(plate.seed, 24, at) + (0.5 if plate.diesel else 0.0), 1)


def _fuel(plate: Nameplate, first: int, runs: list[Demand]) -> tuple[Ints, Floats]:
    """Knots of the tank level [%]: falls in runs, rises when the tanker comes two days later."""
    level = 60.0 + 35.0 * one(plate.seed, 26)
    knots: list[tuple[int, float]] = [(first, level)]
    refuel_at: int | None = None
    for run in runs:
        assert run.start is not None
        assert run.end is not None
        if refuel_at is not None and max(refuel_at, knots[-1][0] + 600) + 900 < run.start:
            knots += _refuelled(max(refuel_at, knots[-1][0] + 600), level)
            level, refuel_at = REFUEL_TO, None
        used, level = _burnt(plate, run, level)
        knots += used
        if level < REFUEL_AT and refuel_at is None:
            refuel_at = (run.end // 86_400 + 2) * 86_400 + 10 * 3600
    if refuel_at is not None:
        knots += _refuelled(max(refuel_at, knots[-1][0] + 600), level)
    return np.array([k[0] for k in knots], np.int64), np.array([k[1] for k in knots])


def _refuelled(at: int, level: float) -> list[tuple[int, float]]:
    return [(at, level), (at + 600, REFUEL_TO)]


def _burnt(plate: Nameplate, run: Demand, level: float) -> tuple[list[tuple[int, float]], float]:
    """Knots of one run and the level after it; a long run is refuelled on the way."""
    assert run.start is not None
    assert run.end is not None
    loaded_h = max(0, run.load_until - run.start) / 3600.0
    idle_h = (run.end - run.start) / 3600.0 - loaded_h
    full = plate.rated_kw * LITRES_PER_KWH
    litres = full * (loaded_h * (0.2 + 0.8 * run.load) + idle_h * 0.2)
    rate = 100.0 * litres / plate.tank_l / max(run.end - run.start, 1)
    t, knots = run.start, [(run.start, level)]
    while level - rate * (run.end - t) < REFUEL_RUNNING_AT:
        t += int((level - REFUEL_RUNNING_AT) / rate)
        knots += _refuelled(t, REFUEL_RUNNING_AT)
        t, level = t + 600, REFUEL_TO
    level -= rate * (run.end - t)
    knots.append((run.end, level))
    return knots, level
