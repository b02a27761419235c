"""Why each run was, with the agreed exercise joined, and whether it began by itself."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.calendar import DAY_S
from scheduler.day import Day
from scheduler.rules import exercise
from scheduler.rules.exercise import ByItself, Candidate, RunReason

REASONS_DAYS = 400
"""How far back the reasons of runs are kept in an assessment. Definition."""


def joined_with(one: Candidate, why: dict[int, exercise.exercise_verdict.Confidence]) -> Candidate:
    """The run with the reason that the agreed exercise gives it.

    why: by the run's start, how sure it is.

    Gives: a record. Definition.
    """
    sure = why.get(one.run.start)
    if sure is None:
        return one
    run = msgspec.structs.replace(one.run, why="exercise", confidence=sure)
    return Candidate(run, one.hand, one.attempts, one.hides_s)


def reasons_of(joined: Sequence[Candidate], days: Sequence[Day]) -> list[RunReason]:
    """Why each run was, and whether the set began it by itself.

    Gives: records of words. Common practice, no source, as scheduler/rules/exercise/evidence.py.
    """
    wired = {day.day for day in days if day.carry.in_auto is not None}
    found = []
    for one in joined:
        run = one.run
        itself, sure = exercise.by_itself(run, one.hand, one.attempts, run.start // DAY_S in wired)
        found.append(
            RunReason(
                start=run.start,
                why=run.why,
                confidence=run.confidence,
                by_itself=itself,
                itself_confidence=sure,
            )
        )
    return found


def kept(reason: RunReason, now: int) -> bool:
    """Only what a stored day cannot say by itself is kept.

    Gives: yes or no. Definition.
    """
    news = reason.why == "exercise" or reason.by_itself in ("yes", "likely")
    return news and reason.start > now - REASONS_DAYS * DAY_S


def newest_proof(reasons: Sequence[RunReason]) -> ByItself | None:
    """The newest exercise or outage that the set began by itself; None where there is none.

    Gives: a record, or none. Definition.
    """
    for reason in reversed(reasons):
        if reason.by_itself in ("yes", "likely") and reason.why in ("exercise", "outage"):
            return ByItself(
                at=reason.start,
                by_itself=reason.by_itself,
                why=reason.why,
                confidence=reason.itself_confidence,
            )
    return None
