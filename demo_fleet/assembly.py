"""The whole fleet made from a seed: each set's place, machine, papers and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from demo_fleet.customers import AREAS, Place, places
from demo_fleet.machine import (
    FOREVER,
    Life,
    Machine,
    Nameplate,
    Reporter,
    area_outages,
    build_life,
    site_outages,
)
from demo_fleet.machine.noise import one
from demo_fleet.planted import condition, faults
from demo_fleet.schedule import (
    DAY_S,
    HISTORY_DAYS,
    HOUR_S,
    Exercise,
    agreed_exercise,
    exercise_starts,
    first_exercise,
    planted_exercise,
    serviced_at,
    soon_after,
    visits_of,
)
from fleet.model import Habit

AHEAD_DAYS = 60
"""The calendar reaches so far beyond the origin; it is made longer when a demo runs longer."""
FINE_SETS = (0, 22, 25, 29, 41)
"""Five sets report each minute from 30 days before the origin."""
FINE_DAYS = 30
ROLLED_DAYS_AGO = 15
"""The meter of four digits rolls over in the last run before this many days ago."""
WRAPS_H = 10_000.0
SHOWCASE = 22
"""The set whose weekly exercise falls a few minutes after the origin."""
NO_SHOWCASE = (0, 2, 7, 8)
"""Sets that could not exercise then, or whose clock is lost."""
ON_CHANGE = (15, 19, 23, 26, 33, 38, 44, 47, 51, 56)
SLEEPING = (12, 30, 35, 46, 50, 57)
TWO_SIGNALS = (25, 27, 36, 40)
CHARGERS = ("float", "none", "float", "on_off", "float", "solar", "float", "boost")


@dataclass(frozen=True)
class DemoSet:
    """One set with everything known of it.

    engine_offset_h: the engine's own meter less the device's, before anything befell the latter.
    serviced_at: the last yearly service [s UTC]; visits: visits within the history, oldest first.
    habit: as declared in the birth. declared: whether the birth says it (else the register does).
    """

    place: Place
    plays: str
    machine: Machine
    exercise: Exercise | None
    exercise_from: date
    engine_offset_h: float
    serviced_at: int
    visits: tuple[int, ...]
    habit: Habit
    declared: bool
    charger: str
    old_device: str

    def engine_h(self, t: int) -> float:
        """Hours on the engine itself [h] at a moment; before the first day it ran 0.15 h a day."""
        first = self.machine.meter_h + self.engine_offset_h
        day = (t - self.history_from) / DAY_S
        return round(first + (self.machine.life.hours(t) if day >= 0 else 0.15 * day), 1)

    @property
    def history_from(self) -> int:
        return int(self.machine.life.fuel_t[0])

    def device_at(self, t: int) -> str:
        """Which board spoke for the set at a moment."""
        return self.place.device if t >= self.machine.script.board_swap else self.old_device


@dataclass(frozen=True)
class Fleet:
    """Everything of one demo. origin: when it was first made [s UTC]."""

    seed: int
    origin: int
    days: int
    sets: tuple[DemoSet, ...]
    storm: tuple[int, int]
    last_outage: tuple[int, int]

    @property
    def first(self) -> int:
        """First second of the history: a UTC midnight."""
        return first_second(self.origin, self.days)


def first_second(origin: int, days: int) -> int:
    return (origin // DAY_S - days) * DAY_S


def build_fleet(
    seed: int,
    origin: int,
    units: int = 60,
    days: int = HISTORY_DAYS,
    until: int | None = None,
    called: tuple[tuple[int, int], ...] = (),
    without: frozenset[int] = frozenset(),
) -> Fleet:
    """The fleet of a seed as of `origin`. The same arguments give the same fleet.

    without: numbers of sets on which nothing is planted.

    days: length of the history, at most a year. until: a moment the calendar must reach (default
    origin). called: runs of the showcase set, called for when a demo was started again.
    Raises ValueError when there are not so many sets or days.
    """
    if not 1 <= days <= HISTORY_DAYS:
        raise ValueError(
            f"The invented history has 1 to {HISTORY_DAYS} days; {days} were asked for."
        )
    last_day = max(origin, until or origin) // DAY_S + AHEAD_DAYS
    outages = _area_calendars(seed, origin, last_day)
    shown = showcase(units)
    sets = tuple(
        _build_set(
            seed,
            origin,
            last_day,
            place,
            outages[place.area],
            place.n == shown,
            called if place.n == shown else (),
            place.n in without,
        )
        for place in places(units)
    )
    return Fleet(seed, origin, days, sets, faults.storm(origin), faults.last_outage(origin))


def showcase(units: int) -> int:
    """Number of the set that runs soon after a start, in a fleet of so many."""
    able = [n for n in range(units) if n not in NO_SHOWCASE]
    return SHOWCASE if units > SHOWCASE else able[-1] if able else 0


def _area_calendars(seed: int, origin: int, last_day: int) -> dict[str, list[tuple[int, int]]]:
    first_day = first_second(origin, HISTORY_DAYS) // DAY_S
    planted = {"Coquet": [faults.last_outage(origin)], faults.STORM_AREA: [faults.storm(origin)]}
    return {
        area: area_outages(_seed(seed, 1_000 + i), first_day, last_day, planted.get(area, []))
        for i, area in enumerate(AREAS)
    }


def _seed(seed: int, n: int) -> int:
    return seed * 100_003 + n


def _build_set(
    seed: int,
    origin: int,
    last_day: int,
    place: Place,
    area: list[tuple[int, int]],
    shown: bool,
    called: tuple[tuple[int, int], ...],
    plain: bool,
) -> DemoSet:
    plays = "" if plain else faults.CAST.get(place.n, "")
    place = replace(place, model=condition.model_of(plays, place.model))
    own = _seed(seed, place.n)
    first_day = first_second(origin, HISTORY_DAYS) // DAY_S
    sure = [faults.last_outage(origin), faults.storm(origin)]
    outages = site_outages(_seed(seed, 500 + place.site_n), first_day, last_day, area, sure)
    exercise = soon_after(origin) if shown else agreed_exercise(own, place)
    if plays in faults.EXERCISES and not shown:
        exercise = planted_exercise(own, 0.3 if plays == "heavier_customer" else 0.0)
    recent = origin - faults.QUIET_DAYS * DAY_S
    outages = [o for o in outages if plays not in faults.QUIET or o[0] < recent]
    if plays in condition.NO_EXERCISE:
        exercise = None
    if plays == "own_main_switch":
        outages = [o for o in outages if o[1] < origin - DAY_S]
        outages.append((origin - 2 * HOUR_S - 754, origin + 2 * DAY_S))
    starts = exercise_starts(own, exercise, first_day, last_day)
    stage = faults.Stage(origin, tuple(t for t, _, _ in starts), sure[0], tuple(outages))
    plate = _plate(seed, own, place, plays)
    first = first_day * DAY_S
    serviced = serviced_at(
        own,
        place,
        plays,
        origin,
        lambda: build_life(plate, first, outages, starts, faults.script_for(plays, stage)),
    )
    visits = visits_of(own, plays, serviced, first, origin)
    stage = replace(stage, visits=tuple((t, t + HOUR_S) for t in visits))
    script = faults.script_for(plays, stage)
    script = faults.joined(script, tuple((t + 1500, t + 2220) for t in visits), 900)
    script = replace(script, called=script.called + called)
    life = build_life(plate, first, outages, starts, script)
    meter_h, offset_h = _counters(own, plays, origin, life, place)
    reporter = _reporter(own, place, plays, origin)
    return DemoSet(
        place=place,
        plays=plays,
        machine=Machine(plate, reporter, script, life, meter_h, int(20 + 180 * one(own, 70))),
        exercise=exercise,
        exercise_from=first_exercise(exercise, origin),
        engine_offset_h=offset_h,
        serviced_at=serviced,
        visits=visits,
        habit=_habit(reporter),
        declared=place.n % 9 != 4,
        charger=plate.charger,
        old_device=place.device + ("-old" if script.board_swap < FOREVER else ""),
    )


def _plate(seed: int, own: int, place: Place, plays: str) -> Nameplate:
    charger = CHARGERS[place.n % len(CHARGERS)]
    if place.criticality == "life" and charger in ("none", "solar"):
        charger = "on_off"
    model = place.model
    return Nameplate(
        seed=own,
        weather=_seed(seed, 2_000 + AREAS.index(place.area)),
        rated_kw=model.rated_kw,
        nominal_v=model.nominal_v,
        battery_v=model.battery_v,
        liquid=model.cooling == "liquid",
        diesel=model.fuel == "diesel",
        charger=charger,
        tank_l=model.tank_l,
        charge_out_v=10.6 if plays == "charging_output_10_6_v" else 14.2,
        charge_tied=plays == "charging_output_tied",
        inverter=plays == "inverter",
        idle_down=plays == "idle_down",
    )


def _reporter(own: int, place: Place, plays: str, origin: int) -> Reporter:
    mode = "on_change" if place.n in ON_CHANGE else "sleeping" if place.n in SLEEPING else "steady"
    mode = "steady" if plays in condition.STEADY else mode
    fine = origin - FINE_DAYS * DAY_S if place.n in FINE_SETS else FOREVER
    return Reporter(
        mode=mode,
        channels=_channels(own, place, plays),
        phase_s=int(one(own, 71) * 600) + (int(one(own, 72) * 36) * 600 if mode != "steady" else 0),
        standing_s=21_600 if mode == "sleeping" else 600,
        running_s=21_600 if mode == "sleeping" else 60,
        fine_from=fine // 60 * 60 if fine < FOREVER else fine,
        events=plays not in ("coarse_habit", "exercise_unseen"),
        sense_gain=0.972 if plays == "volts_corrected" else 1.0 + 0.008 * (one(own, 73) - 0.5),
    )


def _channels(own: int, place: Place, plays: str) -> tuple[str, ...]:
    """What is wired: eight channels on most, more on large sets, less on a few small ones."""
    named = [
        "battery_v",
        "ac_v",
        "frequency_hz",
        "charge_v",
        "mains_v",
        "run_hours_h",
        "start_attempts",
        "in_auto",
    ]
    if place.model.name == "Set A 6":
        named.remove("mains_v")
        named.remove("in_auto")
    elif place.n in (30, 49) or plays == "exercise_unseen":
        named.remove("start_attempts")
    if plays == "exercise_unseen":
        named.remove("run_hours_h")
    if place.model.cooling == "liquid" or one(own, 74) < 0.3 or place.n == 16:
        named += ["fuel_pct", "engine_temp_c"]
    if place.model.rated_kw >= 80:
        named += ["load_kw", "ambient_temp_c"]
    named += [one for one in condition.WIRED.get(plays, ()) if one not in named]
    if place.model.fuel == "natural_gas" and "fuel_pct" in named:
        named.remove("fuel_pct")
    return tuple(named)


def _habit(reporter: Reporter) -> Habit:
    return Habit(
        mode=reporter.mode,  # type: ignore[arg-type]
        standing_s=reporter.standing_s,
        running_s=reporter.running_s,
        heartbeat_s=reporter.heartbeat_s,
        source="declared",
    )


def _counters(own: int, plays: str, origin: int, life: Life, place: Place) -> tuple[float, float]:
    """The device's meter on the first day [h], and what the engine's own meter shows above it."""
    if plays == "meter_rolled_over":
        run = int(np.searchsorted(life.end, origin - ROLLED_DAYS_AGO * DAY_S)) - 1
        rolled = int(life.start[run] + life.end[run]) // 2
        return WRAPS_H - life.hours(rolled), 0.0
    meter = round(30 + 900 * one(own, 85) ** 2 + place.model.rated_kw * 4 * one(own, 86), 2)
    return meter, round(200 + 2_400 * one(own, 87), 1) if one(own, 88) < 0.25 else 0.0
