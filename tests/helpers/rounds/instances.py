"""Invented service areas from a seed: towns, scattered sites, three technicians, ten working days.

    python tests/helpers/rounds/instances.py [--sites 60 200 500 1000] [--seed 1] [--out tests/helpers/rounds]

writes each area with its by-hand plan as area-SITES.json.gz; `hourhand bench rounds` reads them. Eight towns in 120 x 90 km, most sites within 6 km of
one; a fifth of the sites has two sets; a tenth of the work wants a skill; 6 % keeps a life; 12 % of
the sites have restricted hours.
"""

from __future__ import annotations

import argparse
import gzip
from pathlib import Path

import msgspec
import numpy as np

from fleet.calendar import days_from
from fleet.model.round_plan import Span, weekly
from scheduler.bench.rounds import Area
from scheduler.rounds import (
    Estimate,
    PlanRequest,
    RoundJob,
    RoundPlan,
    RoundSite,
    Shift,
    Skill,
    Technician,
)
from scheduler.rounds.by_hand import by_hand
from scheduler.rounds.planning import assemble, network_of
from scheduler.rounds.reasons import early_reason, reasons_of
from scheduler.rounds.request import fingerprint_for, sound
from scheduler.rounds.value import Terms

FIRST_DAY, ZONE, DAYS = "2026-03-23", "Europe/Berlin", 14
"""Two weeks over the spring change of the clock, on purpose."""
DAY_S = 86_400
LAT, LON, KM_LON, KM_LAT = 51.0, 9.5, 70.0, 111.2
TOWNS, SPREAD_KM = 8, 6.0


def plan_by_hand(request: PlanRequest) -> RoundPlan:
    """What an installer would do by hand, with nothing repaired: the yardstick."""
    sound(request)
    terms = Terms(request)
    early = {job: early_reason(terms, job) for job in terms.jobs}
    jobs = [job for job, reason in early.items() if reason is None]
    network = network_of(terms, Estimate(), jobs)
    days = by_hand(network, jobs)
    done = {job for trace in days.values() for job in trace.jobs}
    reasons = [r for r in early.values() if r is not None]
    reasons += [r for r, _ in reasons_of(network, days, [job for job in jobs if job not in done])]
    made = assemble(network, days, reasons, None, "by hand")
    own = fingerprint_for(request, made, network.distances.roads)
    return msgspec.structs.replace(made, fingerprint=own)


def make(
    sites: int,
    seed: int = 1,
    technicians: int = 3,
    days: int = DAYS,
    due_within: int | None = None,
) -> PlanRequest:
    """An area of so many sites with open work; working days are Monday to Friday.

    due_within: due dates spread from five days ago to so many days ahead; None: 20 for an area of
    up to 60 sites (else three technicians have nothing to do), 60 for a larger one.
    """
    ahead = due_within or (20 if sites <= 60 else 60)
    rng = np.random.default_rng((seed, sites))
    towns = np.column_stack([rng.uniform(0, 120, TOWNS), rng.uniform(0, 90, TOWNS)])
    share = rng.dirichlet(np.full(TOWNS, 2.0))
    begin = weekly({0: [("00:00", "24:00")]}, FIRST_DAY, 1, ZONE)[0].start
    places, jobs = [], []
    for n in range(sites):
        places.append(_site(rng, n, towns, share))
        for unit in range(1 + int(rng.random() < 0.2)):
            jobs.append(_job(rng, n, unit, begin, ahead))
    return PlanRequest(
        first_day=FIRST_DAY,
        zone=ZONE,
        days=days,
        sites=tuple(places),
        jobs=tuple(jobs),
        technicians=tuple(_technician(rng, n, towns, days) for n in range(technicians)),
    )


def _site(rng: np.random.Generator, n: int, towns: np.ndarray, share: np.ndarray) -> RoundSite:
    if rng.random() < 0.7:
        x, y = towns[rng.choice(TOWNS, p=share)] + rng.normal(0, SPREAD_KM, 2)
    else:
        x, y = rng.uniform(0, 120), rng.uniform(0, 90)
    hours: tuple[Span, ...] | None = None
    if rng.random() < 0.12:
        if rng.random() < 0.5:
            open_at = {day: [("08:00", "12:00")] for day in range(5)}
        else:
            open_at = {int(day): [("08:00", "17:00")] for day in rng.choice(5, 2, replace=False)}
        hours = weekly(open_at, FIRST_DAY, DAYS, ZONE)
    return RoundSite(
        id=f"S{n}",
        lat=round(float(LAT + y / KM_LAT), 5),
        lon=round(float(LON + x / KM_LON), 5),
        hours=hours,
    )


def _job(rng: np.random.Generator, site: int, unit: int, begin: int, ahead: int) -> RoundJob:
    due = int(rng.uniform(-5, ahead))
    earliest = max(0, min(due - int(rng.uniform(20, 45)), DAYS - 4))
    safety = bool(rng.random() < 0.06)
    skills = frozenset(s for s in ("high-voltage", "load-bank") if rng.random() < 0.10)
    minutes = int(rng.choice([45, 60, 90, 120, 180], p=[0.2, 0.3, 0.25, 0.15, 0.1]))
    return RoundJob(
        id=f"J{site}-{unit}",
        site=f"S{site}",
        duration_s=60 * minutes,
        earliest=begin + earliest * DAY_S,
        due=begin + (due + 1) * DAY_S - 1,
        hard=begin + (due + 15) * DAY_S - 1,
        sigma_days=float(rng.choice([1, 3, 6])),
        skills=skills,
        safety=safety,
    )


def _technician(rng: np.random.Generator, n: int, towns: np.ndarray, days: int) -> Technician:
    x, y = towns[n % TOWNS] + rng.normal(0, 3, 2)
    skills = [("high-voltage",), ("high-voltage", "load-bank"), ("load-bank",)][n % 3]
    day = {d: [("07:00", "16:00")] for d in range(5)}
    shifts = tuple(
        Shift(day=on, start=span.start, end=span.end)
        for on in days_from(FIRST_DAY, days)
        for span in weekly(day, on, 1, ZONE)
    )
    return Technician(
        id=f"T{n}",
        lat=round(float(LAT + y / KM_LAT), 5),
        lon=round(float(LON + x / KM_LON), 5),
        skills=tuple(Skill(s) for s in skills),
        shifts=shifts,
    )


def main() -> None:
    """Write areas and their by-hand plans."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, nargs="+", default=[60, 200, 500, 1000])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    options = parser.parse_args()
    for sites in options.sites:
        request = make(sites, options.seed)
        area = Area(sites=sites, seed=options.seed, request=request, by_hand=plan_by_hand(request))
        packed = gzip.compress(msgspec.json.encode(area, order="deterministic"), mtime=0)
        (options.out / f"area-{sites}.json.gz").write_bytes(packed)


if __name__ == "__main__":
    main()
