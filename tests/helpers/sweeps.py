"""Graded faults at a given share of their detection limit, on one set of a seed's fleet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from truth import DAY_S, HOUR_S, ORIGIN, Cast, heard, papers_of, relived, scripted, verdicts

from demo_fleet.assembly import SHOWCASE, DemoSet, Fleet, build_fleet
from demo_fleet.machine import FOREVER, Ails
from demo_fleet.planted import condition
from demo_fleet.planted.faults import script_for
from demo_fleet.planted.graded import GRADED as LIMITS
from fleet.findings import kind_of

SIZES = (0.5, 1.0, 2.0, 4.0)
HISTORY_DAYS = {
    "harder_starting": 260,
    "starts_unreliable": 200,
    "meter_counts_standing": 60,
    "battery_ages": 290,
    "governor_drifts": 290,
    "regulator_drifts": 290,
    "hunting": 60,
    "unbalance": 60,
}
GONE_FURTHER = {"frequency_drift": "frequency_out", "voltage_drift": "voltage_out"}
"""What is said instead once a drift has left its band."""
Planted = tuple[Cast, int] | None
"""A set with the fault, and the moment at which it is looked at."""


@lru_cache(maxsize=2)
def fleet_of(seed: int) -> Fleet:
    plain_sets = frozenset(condition.CAST)
    return build_fleet(seed, ORIGIN + seed * 17 * DAY_S, 60, without=plain_sets)


def found_at(kind: str, size: float, seed: int) -> bool | None:
    """Whether the fault is found at `size` times its limit; None: no set of this fleet suits."""
    fleet = fleet_of(seed)
    planted = _PLANT[kind](fleet, size * LIMITS[kind].size, size)
    if planted is None:
        return None
    c, now = planted
    alone = replace(fleet, sets=(c.s,))
    inputs = papers_of(alone, [c])[c.s.place.unit]
    first = now // DAY_S * DAY_S - HISTORY_DAYS.get(kind, 45) * DAY_S
    got = heard(c, inputs, max(first, fleet.first), now + 1)
    (verdict,) = [
        v for _, v, _ in verdicts(c, inputs, got, max(first, fleet.first), now + 1, [now])
    ]
    wanted = kind_of(LIMITS[kind].finding)
    if kind == "late_service":
        return ("inspection", "same_day") in {(f.part, f.severity) for f in verdict.findings}
    return any(f.kind in (wanted, GONE_FURTHER.get(wanted)) for f in verdict.findings)


def plain(fleet: Fleet, suits: Callable[[DemoSet], bool]) -> DemoSet | None:
    """A set that plays nothing, reports steadily, and suits."""
    found = [
        s
        for s in fleet.sets
        if not s.plays
        and s.place.n != SHOWCASE
        and s.machine.reporter.mode == "steady"
        and s.declared
        and suits(s)
    ]
    return found[fleet.seed % len(found)] if found else None


def _weekly(s: DemoSet) -> bool:
    return s.exercise is not None and s.exercise.weeks == 1


def _busy(fleet: Fleet) -> DemoSet | None:
    """A set called to work about an hour a day: enough hours to hold a meter to."""
    from demo_fleet.planted.faults import Stage

    s = plain(fleet, lambda s: "run_hours_h" in s.machine.reporter.channels)
    if s is None:
        return None
    stage = Stage(fleet.origin, (), (0, 0))
    return scripted(fleet, s, called=script_for("due_by_hours", stage).called)


def _standing(fleet: Fleet, hours: float, share: float) -> Planted:
    s = plain(fleet, lambda s: "run_hours_h" in s.machine.reporter.channels)
    if s is None:
        return None
    begin = fleet.origin // DAY_S * DAY_S - 20 * DAY_S
    spans = ((begin, begin + int(hours * HOUR_S)),)
    return Cast(s, meter_counts=spans), fleet.origin


def _rate(sign: int) -> Callable[[Fleet, float, float], Planted]:
    def plant(fleet: Fleet, percent: float, share: float) -> Planted:
        s = _busy(fleet)
        if s is None:
            return None
        life, since = s.machine.life, fleet.origin - 30 * DAY_S
        inside = (life.start > since) & (life.end < fleet.origin)
        ran = (life.end - life.start)[inside].sum() / 3600
        unseen = inside.sum() * s.habit.standing_s / 3600 if sign > 0 else 0.0
        limit_h = unseen + max(1.1, LIMITS["meter_slow"].size / 100 * ran)
        return Cast(s, meter_rate=1 + sign * share * limit_h / ran), fleet.origin

    return plant


def _harder(fleet: Fleet, seconds: float, share: float) -> Planted:
    wired = {"engine_temp_c", "start_attempts"}
    s = plain(fleet, lambda s: _weekly(s) and wired <= set(s.machine.reporter.channels))
    if s is None:
        return None
    grows = (fleet.origin - 200 * DAY_S, seconds / 200)
    return Cast(scripted(fleet, s, crank_grows=grows)), fleet.origin


def _unreliable(fleet: Fleet, failures: float, share: float) -> Planted:
    s = plain(fleet, _weekly)
    if s is None:
        return None
    asked = [
        d.at for d in s.machine.life.demands if d.why != "hand" and d.at < fleet.origin - DAY_S
    ]
    at = [asked[-2 - k * (2 if failures <= 6 else 1)] for k in range(int(failures))]
    fail = tuple((t - 60, t + 60) for t in at)
    return Cast(scripted(fleet, s, fail=fail, resets_itself=True)), fleet.origin


def _newest(fleet: Fleet, s: DemoSet, count: int) -> int:
    past = [
        d.at for d in s.machine.life.demands if d.why == "exercise" and d.at < fleet.origin - DAY_S
    ]
    return past[-count]


def _short(fleet: Fleet, minutes: float, share: float) -> Planted:
    s = plain(fleet, lambda s: _weekly(s) and s.exercise is not None and s.exercise.minutes == 20)
    if s is None:
        return None
    begin = _newest(fleet, s, 2)
    made = scripted(fleet, s, exercise_cut=(begin - HOUR_S, 1 - minutes / 20))
    newest = next(
        d
        for d in reversed(made.machine.life.demands)
        if d.why == "exercise" and d.end and d.end < fleet.origin - HOUR_S
    )
    assert newest.end is not None
    return Cast(made), newest.end + 1800


def _drifted(fleet: Fleet, minutes: float, share: float) -> Planted:
    s = plain(fleet, _weekly)
    if s is None:
        return None
    late = (_newest(fleet, s, 6) - HOUR_S, int(60 * minutes))
    return Cast(scripted(fleet, s, exercise_late=late)), fleet.origin


def _under_loaded(fleet: Fleet, percent: float, share: float) -> Planted:
    s = plain(
        fleet,
        lambda s: (
            s.exercise is not None
            and s.exercise.load > 0
            and "load_kw" in s.machine.reporter.channels
        ),
    )
    if s is None:
        return None
    life, exercises = s.machine.life, [d for d in s.machine.life.demands if d.why == "exercise"]
    starts = [d.start for d in exercises]
    asked = np.isin(life.start, [t for t in starts if t is not None])
    load = np.where(asked, life.load * max(0.0, 1 - percent / 100), life.load)
    made = replace(s, machine=replace(s.machine, life=replace(life, load=load)))
    newest = [d.end for d in exercises if d.end and d.end < fleet.origin][-1]
    return Cast(made), newest + 1800


def _late(fleet: Fleet, days: float, share: float) -> Planted:
    """No record but the register's date, a year and so many days ago."""
    s = plain(fleet, lambda s: True)
    if s is None:
        return None
    serviced = fleet.origin // DAY_S * DAY_S - (365 + int(days)) * DAY_S + 12 * HOUR_S
    return Cast(replace(s, serviced_at=serviced, visits=())), fleet.origin


def _silent(fleet: Fleet, reports: float, share: float) -> Planted:
    s = plain(fleet, lambda s: s.machine.reporter.fine_from >= FOREVER)
    if s is None:
        return None
    now = fleet.origin
    length = int(reports * s.habit.standing_s)
    phase = s.machine.reporter.phase_s
    newest = now - (now - phase) % s.habit.standing_s
    return Cast(s, dark=((newest + 1, now + DAY_S),)), newest + 2 + length


def _long_run(fleet: Fleet, hours: float, share: float) -> Planted:
    s = plain(fleet, lambda s: s.place.model.cooling == "air")
    if s is None:
        return None
    begin = fleet.origin - int(hours * HOUR_S) - 60
    quiet = relived_without_outages(fleet, s)
    return Cast(scripted(fleet, quiet, called=((begin, fleet.origin + DAY_S),))), fleet.origin


def relived_without_outages(fleet: Fleet, s: DemoSet) -> DemoSet:
    """The set without the last days' outages and exercises, which would go before the run."""
    m = s.machine
    keep = m.life.lost < fleet.origin - 4 * DAY_S
    life: Any = replace(m.life, lost=m.life.lost[keep], back=m.life.back[keep])
    off = ((fleet.origin - 4 * DAY_S, FOREVER),)
    script = replace(m.script, exercise_off=off)
    return relived(fleet, replace(s, machine=replace(m, life=life, script=script)))


def _ailing(
    suits: Callable[[DemoSet], bool], ails: Callable[[int, float], Ails], days: int, *wired: str
) -> Callable[[Fleet, float, float], Planted]:
    """A set exercised weekly, on which no meter and nobody was, with what ails it since `days`."""

    def plant(fleet: Fleet, size: float, share: float) -> Planted:
        s = plain(fleet, lambda s: _weekly(s) and suits(s))
        if s is None:
            return None
        channels = tuple(dict.fromkeys((*s.machine.reporter.channels, *wired)))
        reporter = replace(s.machine.reporter, channels=channels)
        s = replace(s, visits=(), machine=replace(s.machine, reporter=reporter))
        return Cast(scripted(fleet, s, ails=ails(fleet.origin - days * DAY_S, size))), fleet.origin

    return plant


def _mechanical(s: DemoSet) -> bool:
    """Class G2, a mechanical governor, its load not measured."""
    return s.place.model.performance_class == "G2" and "load_kw" not in s.machine.reporter.channels


NEMA_SHARE = 0.617
"""NEMA MG 1 unbalance of lines that lie 0, 0.15 and 1 of a share low: so much of that share."""
_PLANT: dict[str, Callable[[Fleet, float, float], Planted]] = {
    "meter_counts_standing": _standing,
    "meter_slow": _rate(-1),
    "meter_fast": _rate(+1),
    "harder_starting": _harder,
    "starts_unreliable": _unreliable,
    "exercise_short": _short,
    "exercise_drifted": _drifted,
    "exercise_under_loaded": _under_loaded,
    "late_service": _late,
    "silence": _silent,
    "long_run": _long_run,
    "battery_ages": _ailing(
        lambda s: s.place.model.cooling == "air",
        lambda since, size: Ails(battery_ages=(since, size / 200)),
        200,
        "engine_temp_c",
    ),
    "governor_drifts": _ailing(
        _mechanical, lambda since, size: Ails(hertz_drifts=(since, size / 200)), 200
    ),
    "regulator_drifts": _ailing(
        _mechanical, lambda since, size: Ails(volts_drift=(since, size / 100 / 200)), 200
    ),
    "hunting": _ailing(_mechanical, lambda since, size: Ails(hunts=(since, size / 2)), 28),
    "unbalance": _ailing(
        lambda s: s.place.model.nominal_v == 400,
        lambda since, size: Ails(unbalanced=since, unbalance_share=size / 100 / NEMA_SHARE),
        28,
        "ac_l12_v",
        "ac_l23_v",
        "ac_l31_v",
    ),
}
