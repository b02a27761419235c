"""What the planner is worth beside a plan made by hand, on committed areas.

    python -m scheduler.bench.rounds [--seconds 30] [--sites 60 200 500 1000] [--seeds 1 2 3]
        [--only value|work|told|insert|memory] [--areas DIR] [--json]

The areas (sites, jobs, three technicians, ten days) and their by-hand plans lie in tests/helpers/rounds of
the checkout; `tests/helpers/rounds/instances.py` made them. Both plans obey the same shifts, lunch, hours
and reserve; the same checker and the same value function judge both. Figures are medians of the
engine's seeds. Searches want quiet processors; read ratios.
"""

from __future__ import annotations

import argparse
import gzip
import json
import resource
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import msgspec
import numpy as np

from fleet.calendar import DAY_S
from scheduler.rounds import (
    Estimate,
    Limits,
    PlanRequest,
    RoundJob,
    RoundPlan,
    check,
    insert,
    judge,
    pins_of,
    plan,
    remainder,
)

AREAS = Path(__file__).resolve().parents[2] / "tests" / "helpers" / "rounds"
VALUE_AT_LEAST = {60: 1.03, 200: 1.05, 500: 1.2, 1000: 1.5}
"""Both plans earn what the late days they spare are worth, so these lie nearer to 1 than costs do."""
KM_AT_MOST = {60: 0.70, 200: 0.85}
DISTURBED_AT_MOST = 13
INSERT_AT_MOST_S = 1.0
MEMORY_AT_MOST_MB = 2048
TILES, TILE_DEGREES = 10, 1.6
LATER = 3
"""Due dates of the large area are so many times as far apart: half-yearly service."""


class Area(msgspec.Struct, frozen=True, kw_only=True):
    """A service area, and the plan made by hand for it."""

    sites: int
    seed: int
    request: PlanRequest
    by_hand: RoundPlan


class Row(msgspec.Struct, frozen=True, kw_only=True):
    """One figure beside what is asked of it. at_least: a floor, else a ceiling."""

    what: str
    got: float
    asked: float
    at_least: bool = False
    each: tuple[float, ...] = ()
    note: str = ""

    @property
    def kept(self) -> bool:
        return self.got >= self.asked if self.at_least else self.got <= self.asked


def area(folder: Path, sites: int) -> Area:
    """A committed area. Raises FileNotFoundError where the checkout is not there."""
    packed = (folder / f"area-{sites}.json.gz").read_bytes()
    return msgspec.json.decode(gzip.decompress(packed), type=Area)


def limited(request: PlanRequest, seconds: float, seed: int) -> PlanRequest:
    return msgspec.structs.replace(request, limits=Limits(seconds=seconds, seed=seed))


def judged(made: RoundPlan, request: PlanRequest) -> float:
    """Worth of a plan that breaks no rule; a plan that breaks one ends the bench."""
    broken = check(made, request, Estimate())
    if broken:
        raise SystemExit(f"the checker refuses a plan: {broken[0].kind}: {broken[0].detail}")
    worth: float = judge(made, request).value
    return worth


def value(areas: Path, sites: int, seconds: float, seeds: Sequence[int]) -> Row:
    """Worth of the plan over the worth of the by-hand plan."""
    given = area(areas, sites)
    floor = judged(given.by_hand, given.request)
    plans = [plan(limited(given.request, seconds, seed)) for seed in seeds]
    each = tuple(round(judged(made, given.request) / floor, 3) for made in plans)
    hand = judge(given.by_hand, given.request)
    middle = plans[int(np.argsort(each)[len(each) // 2])].metrics
    note = (
        f"km {hand.km:.0f} by hand, {middle.km:.0f}; due done {hand.due_done} and "
        f"{middle.due_done} of {middle.due}; safety open {hand.safety_open} and "
        f"{middle.safety_open}; backlog days {hand.backlog_days} and {middle.backlog_days}"
    )
    return Row(
        what=f"value over by hand, {sites} sites",
        got=median(each),
        each=each,
        asked=VALUE_AT_LEAST.get(sites, 1.0),
        at_least=True,
        note=note,
    )


def same_work(areas: Path, sites: int, seconds: float, seeds: Sequence[int]) -> Row:
    """Kilometres for exactly the jobs of the by-hand plan, all of them to be done."""
    given = area(areas, sites)
    done = {job for r in given.by_hand.rounds for job in r.jobs}
    request = must_do(given.request, done)
    each, left = [], []
    for seed in seeds:
        made = plan(limited(request, seconds, seed))
        judged(made, request)
        each.append(round(made.metrics.km / judge(given.by_hand, given.request).km, 3))
        left.append(len(made.unplanned))
    return Row(
        what=f"km over by hand, same work, {sites} sites",
        got=median(each),
        each=tuple(each),
        asked=KM_AT_MOST.get(sites, 1.0),
        note=f"{len(done)} jobs, left out: {max(left)}",
    )


def must_do(request: PlanRequest, jobs: set[str]) -> PlanRequest:
    """Only those jobs, all due in the horizon and worth ten times as much, so that none is left."""
    end = max(s.end for t in request.technicians for s in t.shifts)
    chosen = tuple(
        msgspec.structs.replace(j, due=min(j.due or end, end), hard=None)
        for j in request.jobs
        if j.id in jobs
    )
    worth = msgspec.structs.replace(request.economics, due=4000.0)
    return msgspec.structs.replace(request, jobs=chosen, economics=worth)


def told(areas: Path, sites: int, seconds: float, seeds: Sequence[int]) -> Row:
    """Told visits that one urgent job on the first Wednesday, half past ten, disturbs."""
    given = area(areas, sites)
    made = plan(limited(given.request, seconds, seeds[0]))
    request = msgspec.structs.replace(given.request, pins=pins_of(made, "told"))
    each, of = [], 0
    for seed in seeds:
        now = wednesday(request)
        left = remainder(request, made, now)
        urgent = urgent_job(request, seed, now)
        asked = msgspec.structs.replace(limited(left, seconds, seed), jobs=(*left.jobs, urgent))
        again = plan(asked)
        of = sum(len(r.jobs) for r in left.previous.rounds) if left.previous else 0
        each.append(float(len(again.changes.disturbed)))
    return Row(
        what=f"told visits disturbed by an urgent job, {sites} sites",
        got=median(each),
        each=tuple(each),
        asked=DISTURBED_AT_MOST,
        note=f"of {of} told",
    )


def inserting(areas: Path, sites: int, seconds: float, seeds: Sequence[int]) -> Row:
    """Seconds until the proposals for an urgent job are there."""
    given = area(areas, sites)
    made = plan(limited(given.request, seconds, seeds[0]))
    request = msgspec.structs.replace(given.request, pins=pins_of(made, "told"))
    each, found, moved = [], [], []
    for seed in seeds:
        now = wednesday(request)
        urgent = urgent_job(request, seed, now)
        began = time.perf_counter()
        proposals = insert(made, request, urgent, now)
        each.append(round(time.perf_counter() - began, 3))
        found.append(len(proposals))
        moved.append(len(proposals[0].changes.disturbed) if proposals else -1)
    return Row(
        what=f"seconds to insert, {sites} sites",
        got=median(each),
        each=tuple(each),
        asked=INSERT_AT_MOST_S,
        note=f"proposals {found}, told visits disturbed {moved}",
    )


def wednesday(request: PlanRequest) -> int:
    """Half past ten on the first Wednesday, three and a half hours into its shifts."""
    shift = request.technicians[0].shifts[2]
    return shift.start + 3 * 3600 + 1800


def urgent_job(request: PlanRequest, seed: int, now: int) -> RoundJob:
    """A failed start at a site drawn from the seed."""
    site = request.sites[int(np.random.default_rng(seed).integers(len(request.sites)))]
    return RoundJob(
        id=f"urgent-{seed}",
        site=site.id,
        duration_s=5400,
        earliest=now,
        due=now + DAY_S,
        urgent=True,
        reported=now,
        routine=False,
    )


def memory(areas: Path, seconds: float, seed: int) -> Row:
    """Peak of both processes for ten thousand sites: ten copies of the largest area, side by side."""
    request = limited(tiled(area(areas, 1000).request), seconds, seed)
    made = plan(request)
    judged(made, request)
    peak = sum(
        resource.getrusage(who).ru_maxrss
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    jobs = made.metrics.jobs
    return Row(
        what=f"MiB for {len(request.sites)} sites",
        got=round(peak / 1024),
        asked=MEMORY_AT_MOST_MB,
        note=f"{len(request.technicians)} technicians, {jobs} of {len(request.jobs)} jobs planned",
    )


def tiled(request: PlanRequest, tiles: int = TILES) -> PlanRequest:
    """Copies of an area side by side, due dates farther apart."""
    begin = min(s.start for t in request.technicians for s in t.shifts) // DAY_S * DAY_S
    sites, jobs, technicians = [], [], []
    for n in range(tiles):
        north, east = TILE_DEGREES * (n // 5), TILE_DEGREES * (n % 5)
        for s in request.sites:
            place = {"lat": (s.lat or 0) + north, "lon": (s.lon or 0) + east}
            sites.append(msgspec.structs.replace(s, id=f"{s.id}-{n}", **place))
        for t in request.technicians:
            place = {"lat": t.lat + north, "lon": t.lon + east}
            technicians.append(msgspec.structs.replace(t, id=f"{t.id}-{n}", **place))
        for j in request.jobs:
            later = (LATER - 1) * max(0, (j.due or begin) - begin)
            moved = {"due": (j.due or begin) + later, "hard": (j.hard or begin) + later}
            early = j.earliest + (later if j.earliest > begin + DAY_S else 0)
            jobs.append(
                msgspec.structs.replace(
                    j, id=f"{j.id}-{n}", site=f"{j.site}-{n}", earliest=early, **moved
                )
            )
    return msgspec.structs.replace(
        request, sites=tuple(sites), jobs=tuple(jobs), technicians=tuple(technicians)
    )


def rows(options: argparse.Namespace) -> list[Row]:
    """The figures asked for, in order."""
    areas, seconds, seeds = options.areas, options.seconds, options.seeds
    wanted = options.only or ["value", "work", "told", "insert", "memory"]
    found: list[Row] = []
    for sites in options.sites if "value" in wanted else []:
        found.append(_told(value(areas, sites, seconds, seeds)))
    for sites in [s for s in options.sites if s in KM_AT_MOST] if "work" in wanted else []:
        found.append(_told(same_work(areas, sites, seconds, seeds)))
    if "told" in wanted:
        found.append(_told(told(areas, 500, seconds, seeds)))
    if "insert" in wanted:
        found.append(_told(inserting(areas, 200, seconds, seeds)))
    if "memory" in wanted:
        found.append(_told(memory(areas, seconds, seeds[0])))
    return found


def _told(row: Row) -> Row:
    sign = ">=" if row.at_least else "<="
    each = f" {list(row.each)}" if row.each else ""
    word = "kept" if row.kept else "NOT KEPT"
    sys.stderr.write(
        f"{row.what}: {row.got:g}{each}, asked {sign} {row.asked:g}: {word}. {row.note}\n"
    )
    return row


def main(arguments: Sequence[str] | None = None) -> int:
    """0: every figure kept; 1: one is not; 2: the areas are not there."""
    parser = argparse.ArgumentParser(prog="hourhand bench rounds", description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0, help="search time of each plan")
    parser.add_argument("--sites", type=int, nargs="+", default=[60, 200, 500, 1000])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument(
        "--only", nargs="+", choices=["value", "work", "told", "insert", "memory"], default=None
    )
    parser.add_argument("--areas", type=Path, default=AREAS, help="folder of the areas")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    try:
        found = rows(options)
    except FileNotFoundError as missing:
        sys.stderr.write(f"{missing.filename} is not there: run this from a checkout.\n")
        return 2
    if options.json:
        sys.stdout.write(json.dumps([msgspec.to_builtins(row) for row in found]) + "\n")
    return 0 if all(row.kept for row in found) else 1


if __name__ == "__main__":
    sys.exit(main())
