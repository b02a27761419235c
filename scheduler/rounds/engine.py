"""The solver behind the core: PyVRP in a process of its own, bounded in memory, watched.

A worker that hangs is ended at twice its time, one that is cancelled at once; either way the last
plan it told is used. What it says is never trusted: every round is driven again by the core.
"""

from __future__ import annotations

import os
import selectors
import subprocess
import sys
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from scheduler.rounds.model import Limits, Travel
from scheduler.rounds.money import UNIT
from scheduler.rounds.network import Network
from scheduler.rounds.pipe import read_frame, write_frame
from scheduler.rounds.problem import Problem

NAME = f"pyvrp {version('pyvrp')}"
GRACE_S = 15.0
"""Beyond twice its time: starting, building the matrices, writing the last plan. A pace of
ours."""
ITERATION_GRACE = 20
"""A run counted in iterations may take so many times its seconds before it counts as stuck. A
bound of ours."""
LOOK_S = 0.1
"""Between two looks at the worker. A pace of ours."""


class Progress(msgspec.Struct, frozen=True):
    """How far a search is: share of its time [0..1], best worth so far (money), a word."""

    share: float
    worth: float
    step: str = "searching"


class Found(msgspec.Struct, frozen=True):
    """Routes as job ids of each technician-day; None where the worker told of none."""

    routes: dict[tuple[str, str], tuple[str, ...]] | None
    stopped: str = ""
    iterations: int = 0


Tell = Callable[[Progress], None]
Cancel = Callable[[], bool]


class PlanContext(msgspec.Struct, frozen=True, kw_only=True):
    """How a plan is made, beside what is asked. travel: where distances come from; None: the
    estimate. tell: hears how far it is. cancel: True ends the search soon."""

    travel: Travel | None = None
    tell: Tell | None = None
    cancel: Cancel | None = None


ALONE = PlanContext()
"""Nobody looks on, and distances are estimated."""


def search(
    network: Network,
    problem: Problem,
    limits: Limits,
    context: PlanContext = ALONE,
    command: tuple[str, ...] = (),
) -> Found:
    """Run the solver on a problem and wait for it. command: another worker (tests)."""
    if not problem.clients or not problem.vehicles:
        return Found({})
    root = str(Path(__file__).resolve().parents[2])
    path = os.pathsep.join(p for p in (root, os.environ.get("PYTHONPATH", "")) if p)
    with subprocess.Popen(
        command or (sys.executable, "-m", "scheduler.rounds.worker"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1"},
    ) as process:
        try:
            return _follow(process, network, problem, limits, context)
        finally:
            process.kill()


def _follow(
    process: subprocess.Popen[bytes],
    network: Network,
    problem: Problem,
    limits: Limits,
    context: PlanContext,
) -> Found:
    assert process.stdin is not None
    assert process.stdout is not None
    nodes = np.unique([place.node for place in problem.places])
    rows = np.ix_(nodes, nodes)
    wanted: dict[str, Any] = {
        "problem": problem,
        "nodes": nodes,
        "metres": network.metres[rows],
        "seconds": network.seconds[rows],
        "seed": limits.seed,
        "seconds_at_most": limits.seconds,
        "iterations": limits.iterations,
        "no_improvement": limits.no_improvement,
        "memory_mb": limits.memory_mb,
    }
    try:
        write_frame(process.stdin, wanted)
        process.stdin.close()
    except BrokenPipeError:
        return Found(None, "worker fell")
    began = time.perf_counter()
    times = 2.0 if limits.iterations is None else ITERATION_GRACE
    latest: dict[tuple[str, str], tuple[str, ...]] | None = None
    with selectors.DefaultSelector() as selector:
        selector.register(process.stdout, selectors.EVENT_READ)
        while True:
            spent = time.perf_counter() - began
            if context.cancel is not None and context.cancel():
                return Found(latest, "cancelled")
            if spent > times * limits.seconds + GRACE_S:
                return Found(latest, "watchdog")
            if not selector.select(LOOK_S):
                continue
            frame = read_frame(process.stdout)
            if frame is None:
                return Found(latest, "worker fell")
            if frame.get("done"):
                return Found(latest, "", frame["iterations"])
            latest = _named(problem, frame["routes"])
            if context.tell:
                context.tell(Progress(min(1.0, spent / limits.seconds), frame["worth"] / UNIT))


def _named(
    problem: Problem, routes: list[tuple[int, list[int]]]
) -> dict[tuple[str, str], tuple[str, ...]]:
    return {
        problem.keys[vehicle]: tuple(problem.jobs[problem.clients[c].job] for c in visits)
        for vehicle, visits in routes
    }
