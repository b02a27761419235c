"""Which run was which exercise, and at what time the set really runs it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median_low

from fleet.calendar import local_date
from scheduler.rules.exercise.evidence import Candidate
from scheduler.rules.exercise.exercise_verdict import (
    DAY_REACH_S,
    LEARNED_FROM,
    NEAR_S,
    RECENT,
    WINDOW_S,
    Confidence,
    Plan,
)
from scheduler.rules.exercise.recurrence import Due

LIKE_SHORTEST, LIKE_LONGEST, LIKE_PLUS_S = 0.25, 1.5, 300
"""Outside the window only a run of like length is taken: a quarter to one and a half times the
agreed, and 5 min. Common practice, no source."""
ODD_S = 600
"""A set's clock starts its exercise within minutes of the time it did so before. Common practice,
no source."""
NOT_EXERCISES = frozenset({"outage"})


@dataclass(frozen=True, slots=True)
class Matched:
    """One occurrence and its run; expected_at: by the set's own clock as known before it.

    odd: the run is too short and began over 10 min from a time that is learned: likely another.
    """

    due: Due
    expected_at: int
    candidate: Candidate | None
    confidence: Confidence = "high"
    odd: bool = False


def match(
    plan: Plan, dues: Sequence[Due], runs: Sequence[Candidate], failed: Sequence[int] = ()
) -> list[Matched]:
    """Give each occurrence (rising) the run that was it, at most one, each run at most once.

    In its window before outside it, long enough before too short, then the nearest, then the
    earlier. The order of `runs` does not matter. failed: starts that failed [UTC s]: where one did
    at the time, a run over half an hour later is somebody's, not the exercise. A run of which a loss
    of mains was seen only long after its start (an outage of low confidence) is still free. Later runs and occurrences change nothing of
    earlier ones, but that a run nearer to a later occurrence is left to that.

    Gives: records in seconds [UTC s]. Common practice, no source.
    """
    free = sorted(
        (c for c in runs if c.hand != "switch" and not _by_outage(c)),
        key=lambda c: c.run.start,
    )
    starts = [c.run.start for c in free]
    used: set[int] = set()
    found: list[Matched] = []
    offsets: list[int] = []
    counted: list[bool] = []
    for n, due in enumerate(dues):
        offset = learned(offsets)
        expected = due.at + (offset or 0)
        near = [other.at + (offset or 0) for other in (*dues[n - 1 : n], *dues[n + 1 : n + 2])]
        low = bisect_left(starts, min(due.at, expected) - DAY_REACH_S)
        high = bisect_right(starts, max(due.at, expected) + DAY_REACH_S)
        fit = [
            c
            for c in free[low:high]
            if c.run.start not in used
            and _fits(plan, due, expected, c)
            and not _after_failure(expected, c, failed)
            and all(abs(c.run.start - expected) <= abs(c.run.start - other) for other in near)
            and not (c.hand and (any(counted[-RECENT:]) or abs(c.run.start - expected) > WINDOW_S))
        ]
        best = min(fit, key=lambda c: _rank(plan, expected, c), default=None)
        odd = offset is not None and best is not None and _odd(plan, expected, best)
        sure: Confidence = "low" if odd else _sure(plan, expected, best)
        found.append(Matched(due, expected, best, sure, odd))
        if best is not None:
            used.add(best.run.start)
            offsets.append(best.run.start - due.at)
            counted.append(best.attempts > 0)
    return found


def learned(offsets: Sequence[int]) -> int | None:
    """The set's own time less the agreed [s]: median of the last five, from three on.

    offsets: each match's start less its agreed time [s], oldest first; of two middles the lower.

    Gives: [s]. Common practice, no source.
    """
    recent = offsets[-RECENT:]
    return median_low(recent) if len(recent) >= LEARNED_FROM else None


def _fits(plan: Plan, due: Due, expected: int, one: Candidate) -> bool:
    start = one.run.start
    if abs(start - expected) <= WINDOW_S:
        return True
    if abs(start - due.at) > DAY_REACH_S:
        return False
    if local_date(start, plan.zone).isoformat() != due.wall[:10]:
        return False
    longest = LIKE_LONGEST * plan.length_s + LIKE_PLUS_S
    return LIKE_SHORTEST * plan.length_s <= one.longest_s and one.length_s <= longest


def _by_outage(one: Candidate) -> bool:
    return one.run.why in NOT_EXERCISES and one.run.confidence != "low"


def _after_failure(expected: int, one: Candidate, failed: Sequence[int]) -> bool:
    """A start failed at the time, and the run began too long after it to be its own retry."""
    start = one.run.start
    return any(abs(at - expected) <= NEAR_S < start - at for at in failed)


def _rank(plan: Plan, expected: int, one: Candidate) -> tuple[bool, bool, int, int]:
    """In the window first, then long enough, then the nearest, then the earlier."""
    away = abs(one.run.start - expected)
    return away > WINDOW_S, one.longest_s < plan.least_s, away, one.run.start


def _odd(plan: Plan, expected: int, one: Candidate) -> bool:
    return one.longest_s < plan.least_s and abs(one.run.start - expected) > ODD_S


def _sure(plan: Plan, expected: int, one: Candidate | None) -> Confidence:
    if one is None:
        return "high"
    if abs(one.run.start - expected) > WINDOW_S or one.hand:
        return "low"
    like = one.length_s <= LIKE_LONGEST * plan.length_s + LIKE_PLUS_S
    return "high" if like and one.run.start_seen == "observed" else "medium"
