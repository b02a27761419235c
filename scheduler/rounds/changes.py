"""The difference between two plans, job by job, each with why and what it costs."""

from __future__ import annotations

from scheduler.rounds.model import Change, ChangeKind, Changes, RoundPlan
from scheduler.rounds.money import UNIT
from scheduler.rounds.value import Terms

AN_HOUR_S = 3600
"""A begin that moved by no more than an hour inside its day is no change
(docs/engineering/rounds.md#frozen-told-free). Common practice, no source."""

At = tuple[str, str, int]


def still_asked(plan: RoundPlan, terms: Terms, past_only: bool = False) -> dict[str, At]:
    """Places of a plan's jobs that are still asked for: what is finished or was cancelled is no
    change to anybody. past_only: what was to come stays, to be named as gone."""
    return {
        job: at
        for job, at in plan.places.items()
        if job in terms.jobs or (past_only and at[2] >= terms.earliest)
    }


def difference(before: dict[str, At], after: dict[str, At], terms: Terms | None) -> Changes:
    """The same from places; prices and reasons need the terms of the new request."""
    found = []
    for job in sorted(before.keys() | after.keys()):
        old, new = before.get(job), after.get(job)
        kind = _kind(old, new)
        if kind is not None:
            found.append(_change(job, kind, old, new, terms))
    return Changes(kept=len(before.keys() & after.keys()), changes=tuple(found))


def _kind(old: At | None, new: At | None) -> ChangeKind | None:
    if old is None or new is None:
        return "added" if old is None else "dropped"
    if old[1] != new[1]:
        return "moved_day"
    if old[0] != new[0]:
        return "moved_technician"
    return "moved_hour" if abs(old[2] - new[2]) > AN_HOUR_S else None


def _change(
    job: str, kind: ChangeKind, old: At | None, new: At | None, terms: Terms | None
) -> Change:
    technician, day, start = old or ("", "", 0)
    new_technician, new_day, new_start = new or ("", "", 0)
    return Change(
        job=job,
        kind=kind,
        technician=technician,
        day=day,
        start=start,
        new_technician=new_technician,
        new_day=new_day,
        new_start=new_start,
        why=_why(job, old, new, terms),
        price=_price(job, old, new, terms),
    )


def _why(job: str, old: At | None, new: At | None, terms: Terms | None) -> str:
    if old is None:
        return "new"
    if terms is not None and job not in terms.jobs:
        return "job_gone"
    if terms is not None and old[:2] not in terms.shifts:
        return "shift_gone"
    return "made_room" if new is None else "better_round"


def _price(job: str, old: At | None, new: At | None, terms: Terms | None) -> float:
    """Worth lost by the change (money); below 0: gained. Of the job alone, not of its round."""
    if terms is None or job not in terms.jobs or old is None:
        return 0.0
    before = terms.worth.with_technician(job, old[0], old[2])
    after = terms.worth.with_technician(job, new[0], new[2]) if new else 0
    return round((before - after) / UNIT, 2)
