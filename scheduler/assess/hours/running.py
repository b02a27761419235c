"""Runs as hours: where each ends, and how surely."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.model import Run
from scheduler.day import Day


def all_runs(days: Sequence[Day], open_run: Run | None) -> list[Run]:
    """Every run known, in order, with the one still open at its end.

    Gives: records. Definition.
    """
    runs = [run for day in days for run in day.runs]
    if open_run is not None and (not runs or runs[-1].start != open_run.start):
        runs.append(open_run)
    return runs


def run_end(run: Run) -> int:
    """Where a run's hours count to: its end, or the last moment it was seen running.

    Gives: [UTC s]. Definition.
    """
    return max(run.start, run.last_on_at if run.end is None else run.end)


def uncertain_s(run: Run) -> int:
    """By how much start and end of a run together may be off [s].

    Gives: [s]. Arithmetic.
    """
    late = (run.end_latest or run_end(run)) - run_end(run)
    early = run.start - (run.start_earliest if run.start_earliest is not None else run.start)
    return max(0, late) + max(0, early)


def surely_until(run: Run, hides_s: int) -> int:
    """Until when a run surely lasted (UTC seconds), where its habit can hide the end.

    Gives: [UTC s]. Definition.
    """
    end = run_end(run)
    return min(run.last_on_at, end) if hides_s and run.last_on_at else end
