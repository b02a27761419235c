"""The solver's own process: a problem comes in, the best plan so far goes out, as it is found.

    python -m scheduler.rounds.worker      (started by `scheduler.rounds.engine`, never by hand)

Reads one frame, writes frames.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from typing import Any, BinaryIO

import numpy as np
from pyvrp import (
    Client,
    ClientGroup,
    Depot,
    IteratedLocalSearchParams,
    Location,
    PenaltyParams,
    ProblemData,
    Route,
    Solution,
    SolveParams,
    VehicleType,
    solve,
)
from pyvrp.IteratedLocalSearch import IteratedLocalSearchCallbacks
from pyvrp.search import PerturbationParams
from pyvrp.stop import (
    MaxIterations,
    MaxRuntime,
    MultipleCriteria,
    NoImprovement,
    StoppingCriterion,
)

from scheduler.rounds.pipe import read_frame, write_frame
from scheduler.rounds.problem import Problem

FAR_S, FAR_M = 40 * 86_400, 5_000_000
"""Edges into a place whose skills are lacking: far, but modest numbers
(docs/engineering/rounds.md#the-engine). A bound of ours."""
MAX_PENALTY, FIRST_PENALTY = 1e7, 5e4
"""Money for a second too late: at most, and at the start. The engine begins half way up, where
every step must be in time; from here RC208 is 1 % shorter after 10 s of processor time, areas no
worse. Measured."""
HISTORY, PERTURBED = 100, 10
"""Shorter memory and smaller steps than the engine's 300 and 25: 2 % more worth at 500 sites in 30
s, 0.1 % at 200 (areas of tests/helpers/rounds, one seed, processor time). Measured."""
TELL_EVERY_S = 0.5
NICE = 5
"""How often the best plan so far is told, and how far this process stands back for others. A pace
of ours."""
Ints = Any


def main() -> int:
    """Solve one problem; 0 when it came to its end."""
    os.nice(NICE)
    wanted = read_frame(sys.stdin.buffer)
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    if wanted is None:
        return 1
    limit = int(wanted["memory_mb"]) << 20
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    problem = wanted["problem"]
    data = build(problem, wanted["nodes"], wanted["metres"], wanted["seconds"])
    telling = Telling(out, data)
    criteria: list[StoppingCriterion] = [MaxRuntime(wanted["seconds_at_most"])]
    if wanted["iterations"] is not None:
        criteria = [MaxIterations(wanted["iterations"])]
    if wanted["no_improvement"] is not None:
        criteria.append(NoImprovement(wanted["no_improvement"]))
    params = SolveParams(
        ils=IteratedLocalSearchParams(history_length=HISTORY, callbacks=telling),
        penalty=Penalties(max_penalty=MAX_PENALTY),
        perturbation=PerturbationParams(max_perturbations=PERTURBED),
    )
    result = solve(
        data,
        MultipleCriteria(criteria),
        seed=wanted["seed"],
        collect_stats=False,
        params=params,
        initial_solution=begun(data, problem),
    )
    if result.is_feasible():
        telling.tell(result.best)
    write_frame(out, {"done": True, "iterations": result.num_iterations})
    return 0


class Penalties(PenaltyParams):
    """The engine's penalties, begun at `FIRST_PENALTY`."""

    def midpoint_penalties(self, data: ProblemData) -> tuple[list[float], float, float]:
        return [FIRST_PENALTY] * data.num_load_dimensions, FIRST_PENALTY, FIRST_PENALTY


class Telling(IteratedLocalSearchCallbacks):
    """Sends each new best plan, not more often than twice a second."""

    def __init__(self, out: BinaryIO, data: ProblemData) -> None:
        self.out, self.began, self.told = out, time.perf_counter(), 0.0

    def on_best(self, best: Solution) -> None:
        if time.perf_counter() - self.told >= TELL_EVERY_S and best.is_feasible():
            self.tell(best)

    def tell(self, best: Solution) -> None:
        routes = [
            (route.vehicle_type(), [a.idx for a in route.schedule() if a.is_client()])
            for route in best.routes()
        ]
        self.told = time.perf_counter()
        worth = best.prizes() - best.distance_cost() - best.duration_cost()
        write_frame(
            self.out,
            {
                "routes": routes,
                "worth": int(worth),
                "seconds": self.told - self.began,
            },
        )


def build(problem: Problem, nodes: Ints, metres: Ints, seconds: Ints) -> ProblemData:
    """The engine's data; matrices are whole 64-bit numbers (a float would be cut in silence).

    nodes: those of the network that the rows and columns of the matrices are.
    """
    at = np.array([place.node for place in problem.places])
    row = np.searchsorted(nodes, at)
    away = at[:, None] != at[None, :]
    access, toll = np.array(problem.access)[at], np.array(problem.toll_m)[at]
    base_m = metres[np.ix_(row, row)].astype(np.int64) + np.where(away, toll[None, :], 0)
    base_s = seconds[np.ix_(row, row)].astype(np.int64) + np.where(away, access[None, :], 0)
    distances, durations = [], []
    for profile in problem.profiles:
        far, long = base_m.copy(), base_s.copy()
        for place, extra in profile.extra_m:
            far[:, place] += extra
        far[:, list(profile.shut)], long[:, list(profile.shut)] = FAR_M, FAR_S
        np.fill_diagonal(far, 0)
        np.fill_diagonal(long, 0)
        distances.append(far)
        durations.append(long)
    clients, groups = _clients(problem)
    depots: dict[int, int] = {}
    for vehicle in problem.vehicles:
        for place in (vehicle.start, vehicle.end):
            depots.setdefault(place, len(depots))
    vehicles = [
        VehicleType(
            1,
            start_depot=depots[v.start],
            end_depot=depots[v.end],
            tw_early=v.early,
            tw_late=v.late,
            shift_duration=v.duration,
            max_overtime=v.overtime,
            unit_distance_cost=problem.per_m,
            unit_duration_cost=problem.per_s,
            unit_overtime_cost=problem.overtime_s,
            profile=v.profile,
        )
        for v in problem.vehicles
    ]
    return ProblemData(
        [Location(0, 0) for _ in problem.places],
        clients,
        [Depot(place) for place in depots],
        vehicles,
        distances,
        durations,
        groups,
    )


def _clients(problem: Problem) -> tuple[list[Client], list[ClientGroup]]:
    of_job: dict[int, list[int]] = {}
    for n, client in enumerate(problem.clients):
        of_job.setdefault(client.job, []).append(n)
    many = {job: n for n, job in enumerate(j for j, at in of_job.items() if len(at) > 1)}
    clients = [
        Client(
            c.place,
            service_duration=c.duration,
            tw_early=c.early,
            tw_late=c.late,
            prize=c.prize,
            required=False,
            group=many.get(c.job),
        )
        for c in problem.clients
    ]
    return clients, [ClientGroup(of_job[job], required=False) for job in many]


def begun(data: ProblemData, problem: Problem) -> Solution | None:
    """The warm start; None: begin with nothing."""
    routes = [
        Route(data, list(visits), vehicle) for vehicle, visits in enumerate(problem.begun) if visits
    ]
    return Solution(data, routes) if routes else None


if __name__ == "__main__":
    sys.exit(main())
